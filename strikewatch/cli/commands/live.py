"""`strikewatch run`, `check` and `settings`: the live processor, and what it needs."""

import json
import re
from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings
from strikewatch.errors import SettingsError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from strikewatch.settings.tree import Settings
    from strikewatch.sinks.settings import Target


@shared.command("strikewatch run --config strikewatch.toml")
@shared.config
def run(options: Namespace) -> int:
    """Run the live processor until it is stopped.

    It reads samples from the broker, stores and sends alerts, and serves the site manager's page.
    """
    # mistakes in the settings are reported before the rest is imported
    loaded = load_settings(options.config)
    from strikewatch.service.run import run

    return run(loaded)


@shared.command("strikewatch check --config strikewatch.toml")
@shared.config
@shared.as_json("one finding a line")
def check(options: Namespace) -> int:
    """Check settings, broker, database, endpoints, disk and clock; print what to do about each problem.

    The processor may be running. The exit code is 1 where there is trouble.
    """
    from dataclasses import asdict

    from strikewatch.service.health_check import CheckResult, check_all

    try:
        loaded = load_settings(options.config)
        with output.progress_status("Checking"):
            found = [CheckResult("settings", "ok", "all can be used"), *check_all(loaded)]
    except SettingsError as error:
        found = [
            CheckResult("settings", "trouble", f"{path}: {what}", "see config/strikewatch.toml")
            for path, what in error.problems
        ]
    if options.json:
        output.print_json(map(asdict, found))
    else:
        table = output.plain_table("what", "result", "found", "remedy", wrap=("found", "remedy"))
        for result in found:
            table.add_row(result.what, result.word, result.seen, result.remedy)
        output.tables().print(table)
    return 1 if any(result.word == "trouble" for result in found) else 0


@shared.command("strikewatch settings > all.toml", "strikewatch settings --verbose")
@shared.config
@shared.as_json("one object")
def settings(options: Namespace) -> None:
    """Check the settings and the files they name; print everything in force as TOML.

    Values that differ from the default are marked. The output can be used as a settings file. Secrets are checked and
    never shown. All mistakes are reported at once.
    """
    loaded = load_settings(options.config)
    if problems := [*_file_problems(loaded)]:
        raise SettingsError(problems)
    if options.json:
        print(loaded.model_dump_json())
        return
    for line in _toml_lines(loaded):
        print(line)


def _file_problems(settings: "Settings") -> Iterator[tuple[str, str]]:
    """Yield (setting, problem) of each file that a start needs and that cannot be used, secrets included."""
    from strikewatch.sinks.settings import read_secrets

    mqtt, tls = settings.mqtt, settings.mqtt.tls
    named = {"mqtt.password_file": mqtt.password_file}
    if tls is not None:
        named |= {f"mqtt.tls.{name}": getattr(tls, name) for name in type(tls).model_fields}
    named |= {f"webhook {hook.name} ca_file": hook.ca_file for hook in settings.webhooks}
    if settings.heartbeat is not None:
        named["heartbeat.ca_file"] = settings.heartbeat.ca_file
    for place, path in named.items():
        if path is not None and (wrong := _unreadable(path)):
            yield place, wrong
    targets: dict[str, Target] = {f"webhook {hook.name}": hook for hook in settings.webhooks}
    if settings.heartbeat is not None:
        targets["heartbeat"] = settings.heartbeat
    for place, target in targets.items():
        try:
            read_secrets(target, place)
        except SettingsError as error:
            yield from error.problems


def _unreadable(path: Path) -> str | None:
    try:
        return None if path.read_bytes().strip() else f"{path} is empty"
    except OSError as error:
        return f"{path} cannot be read ({error.strerror})"


def _toml_lines(settings: "Settings") -> Iterator[str]:
    """Yield every setting as TOML, with a mark where it differs from its default; together a settings file."""
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        if name == "hammers":
            for hammer, own in value.items():
                for table, keys in own.items():
                    for key, entry in keys.items():
                        yield f"hammers.{_key(hammer)}.{table}.{key} = {_toml(entry)}  # for this hammer"
        elif name == "hammers_file":
            state = "is not set" if value is None else f"= {_toml(value)}; its tables are hammers.… here"
            yield f"# hammers_file {state}"
        elif name == "sources_file" and value is not None:
            yield f"{name} = {_toml(value.absolute())}  # relative to the settings file, so in full here"
        elif name != "webhooks":
            yield from _setting(settings, name, "")
    # TOML allows tables of a list only at the end.
    for hook in settings.webhooks:
        yield "[[webhooks]]"
        for name in type(hook).model_fields:
            yield from _setting(hook, name, "")


def _setting(model: "BaseModel", name: str, path: str) -> Iterator[str]:
    from pydantic import BaseModel
    from pydantic_core import PydanticUndefined

    value = getattr(model, name)
    default = type(model).model_fields[name].get_default(call_default_factory=True)
    here = f"{path}{name}"
    if isinstance(value, BaseModel):
        for inner in type(value).model_fields:
            yield from _setting(value, inner, f"{here}.")
    elif value is None:
        yield f"# {here} is not set"
    elif value == default or default is PydanticUndefined:
        yield f"{here} = {_toml(value)}"
    else:
        yield f"{here} = {_toml(value)}  # differs from the default, {'none' if default is None else _toml(default)}"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def _toml(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, dict):
        pairs = [f"{_toml(name)} = {_toml(entry)}" for name, entry in value.items()]
        return f"{{{', '.join(pairs)}}}"
    if isinstance(value, float):
        return repr(value)
    text = json.dumps(str(value) if isinstance(value, Path) else value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")
