"""`strikewatch use`: its arguments."""

import argparse
from pathlib import Path
from typing import Any

from strikewatch.cli.arguments import recordings
from strikewatch.service.time_parsing import WHEN


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    use = commands.add_parser(
        "use",
        parents=[config],
        help="what each hammer went through: hours, blows, hot, blank and misused seconds, what was missed",
        description="Over the database, or over recorded shifts: in all, and per firing hour so that hammers compare.",
    )
    use.add_argument(
        "paths", type=Path, nargs="*", metavar="PATH", help="recorded shifts in place of the database"
    )
    use.add_argument(
        "--from",
        dest="begin",
        metavar="WHEN",
        help=f"{WHEN % 'ago'}; default: 7d, of recorded shifts their begin",
    )
    use.add_argument(
        "--to", dest="end", metavar="WHEN", help=f"{WHEN % 'ago'}; default: now, of recorded shifts their end"
    )
    for name in ("site", "hammer"):
        use.add_argument(f"--{name}", metavar=name.upper(), help=f"only this {name}")
    form = use.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="for programs: one JSON object")
    form.add_argument("--csv", action="store_true", help="the table as CSV on standard output")
    recordings.add(use)
    use.set_defaults(run=_show)


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import usage

    return usage.show(options)
