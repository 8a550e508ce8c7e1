"""What `strikewatch settings` prints: everything in force, after checking all of it."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from strikewatch.errors import SettingsError
from strikewatch.settings.tree import Settings, load
from strikewatch.sinks.target import Target, read_secrets


def show(config: Path | None) -> int:
    """Check the settings and the files they name; print them as TOML, one a line, what differs from the default marked.

    The output can be fed back in as a file. Secrets are read, to check them, and never shown. Raises SettingsError with
    every mistake.
    """
    settings = load(config)
    problems = [*_files(settings)]
    if problems:
        raise SettingsError(problems)
    for line in _lines(settings):
        print(line)
    return 0


def _files(settings: Settings) -> Iterator[tuple[str, str]]:
    """What is wrong with the files that must be there before a start, secrets among them."""
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


def _lines(settings: Settings) -> Iterator[str]:
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        if name == "hammers":
            for hammer, own in value.items():
                for table, keys in own.items():
                    for key, one in keys.items():
                        yield f"hammers.{_key(hammer)}.{table}.{key} = {_toml(one)}  # for this hammer"
        elif name == "hammers_file":
            told = (
                "is not set" if value is None else f"= {_toml(value)}, whose tables stand here as hammers.…"
            )
            yield f"# hammers_file {told}"
        elif name != "webhooks":
            yield from _setting(settings, name, "")
    # Tables in a list can only stand at the end.
    for hook in settings.webhooks:
        yield "[[webhooks]]"
        for name in type(hook).model_fields:
            yield from _setting(hook, name, "")


def _setting(model: BaseModel, name: str, path: str) -> Iterator[str]:
    value, default = (
        getattr(model, name),
        type(model).model_fields[name].get_default(call_default_factory=True),
    )
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
        pairs = [f"{_toml(name)} = {_toml(one)}" for name, one in value.items()]
        return f"{{{', '.join(pairs)}}}"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(str(value) if isinstance(value, Path) else value, ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )
