"""`strikewatch settings`: check the settings and print those in force."""

from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli.settings_file import settings
from strikewatch.errors import SettingsError

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings
    from strikewatch.sinks.settings import Target


@click.command(
    cls=shared.Command, examples=("strikewatch settings > all.toml", "strikewatch settings --verbose")
)
@shared.config
@shared.as_json("one object")
@shared.given
def command(options: Namespace) -> int:
    """Check the settings and the files they name; print everything in force as TOML.

    What differs from the default is marked. The output can be used as a settings file. Secrets are read, to check them,
    and never shown. All mistakes are reported at once.
    """
    tree = settings(options.config)
    if problems := [*_files(tree)]:
        raise SettingsError(problems)
    if options.json:
        print(tree.model_dump_json())
        return 0
    from strikewatch.cli.rendering.settings import lines

    for line in lines(tree):
        print(line)
    return 0


def _files(tree: "Settings") -> Iterator[tuple[str, str]]:
    """Yield what is wrong with the files that must be there before a start, secrets among them."""
    from strikewatch.sinks.settings import read_secrets

    mqtt, tls = tree.mqtt, tree.mqtt.tls
    named = {"mqtt.password_file": mqtt.password_file}
    if tls is not None:
        named |= {f"mqtt.tls.{name}": getattr(tls, name) for name in type(tls).model_fields}
    named |= {f"webhook {hook.name} ca_file": hook.ca_file for hook in tree.webhooks}
    if tree.heartbeat is not None:
        named["heartbeat.ca_file"] = tree.heartbeat.ca_file
    for place, path in named.items():
        if path is not None and (wrong := _unreadable(path)):
            yield place, wrong
    targets: dict[str, Target] = {f"webhook {hook.name}": hook for hook in tree.webhooks}
    if tree.heartbeat is not None:
        targets["heartbeat"] = tree.heartbeat
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
