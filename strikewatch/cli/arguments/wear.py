"""`strikewatch wear` and `strikewatch tools`: their arguments."""

import argparse
from pathlib import Path
from typing import Any

from strikewatch.cli.arguments import recordings


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add both commands to the others; `config` brings what all of them take."""
    wear = commands.add_parser(
        "wear",
        parents=[config],
        help="bushings and tools by their inspections: what to do, how they wear, when they meet their limits",
        description="Over the inspections in the database, or in recorded shifts.",
    )
    tools = commands.add_parser(
        "tools",
        parents=[config],
        help="which tool is fitted and whether it suits the work; hours and blows of each; how long they last",
        description="Over the tool changes in the database, or in recorded shifts.",
    )
    for parser, show in ((wear, _wear), (tools, _tools)):
        parser.add_argument(
            "paths", type=Path, nargs="*", metavar="PATH", help="recorded shifts in place of the database"
        )
        for name in ("site", "hammer"):
            parser.add_argument(f"--{name}", metavar=name.upper(), help=f"only this {name}")
        parser.add_argument("--json", action="store_true", help="for programs: one JSON object")
        recordings.add(parser)
        parser.set_defaults(run=show)


def _wear(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import wear as wear_command

    return wear_command.wear(options)


def _tools(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import wear as wear_command

    return wear_command.tools(options)
