"""`strikewatch due`: its arguments."""

import argparse
from typing import Any


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    due = commands.add_parser(
        "due",
        parents=[config],
        help="what comes due for each hammer, and what its feed cannot show",
        description="Greasing, inspection, service, the walk-round check and storage: hours and days left, and when "
        "that will be if work goes on as in the last four weeks (an interval that holds 19 times in 20).",
    )
    for name in ("site", "hammer"):
        due.add_argument(f"--{name}", metavar=name.upper(), help=f"only this {name}")
    due.add_argument("--json", action="store_true", help="for programs: one JSON object an item")
    due.set_defaults(run=_show)


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import due as due_command

    return due_command.show(options)
