"""`strikewatch suppose …`: its arguments."""

import argparse
from pathlib import Path
from typing import Any

from strikewatch.cli.arguments import recordings


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    suppose = commands.add_parser(
        "suppose",
        parents=[config],
        help="recorded shifts under other settings: what would change",
        description="Replays recorded shifts as set and as supposed, and tells alert by alert and in rates what "
        "would change; or sweeps one setting and tells the faults per firing hour at each value.",
    )
    suppose.add_argument("paths", type=Path, nargs="+", metavar="PATH", help="recorded shifts")
    suppose.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="such as faults.same_spot.limit_s=12; may be given again",
    )
    suppose.add_argument(
        "--sweep", metavar="NAME=VALUES", help="such as faults.same_spot.limit_s=8:30:2, or =12,15,20"
    )
    suppose.add_argument(
        "--html", type=Path, metavar="FILE", help="the sweep as a picture, a page of its own"
    )
    suppose.add_argument(
        "--json", action="store_true", help="for programs: one JSON object an alert, or a value"
    )
    recordings.add(suppose)
    suppose.set_defaults(run=_show)


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import what_if

    return what_if.show(options)
