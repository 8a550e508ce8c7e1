"""`strikewatch guide`: its arguments."""

import argparse
from typing import Any


def add(commands: Any) -> None:
    """Add the command to the others."""
    guide = commands.add_parser(
        "guide", help="the guides: `guide faults` says exactly what counts as a fault"
    )
    guide.add_argument("topic", nargs="?", metavar="TOPIC", help="left out: the topics there are")
    guide.add_argument("--markdown", action="store_true", help="as it is written, not rendered")
    guide.set_defaults(run=_show)


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import guide as guide_command

    return guide_command.show(options.topic, markdown=options.markdown)
