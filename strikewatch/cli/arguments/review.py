"""`strikewatch review`: its arguments."""

import argparse
from pathlib import Path
from typing import Any

from strikewatch.cli.arguments import recordings
from strikewatch.service.time_parsing import WHEN


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    review = commands.add_parser(
        "review",
        parents=[config],
        help="the trainer's review: rates, whom to coach, on what, with which moments",
        description="Over the database, or over recorded shifts. Without an output option: a summary here.",
    )
    review.add_argument(
        "paths", type=Path, nargs="*", metavar="PATH", help="recorded shifts in place of the database"
    )
    review.add_argument(
        "--from",
        dest="begin",
        metavar="WHEN",
        help=f"{WHEN % 'ago'}; default: 7d, of recorded shifts their begin",
    )
    review.add_argument(
        "--to", dest="end", metavar="WHEN", help=f"{WHEN % 'ago'}; default: now, of recorded shifts their end"
    )
    review.add_argument(
        "--operator", metavar="OPERATOR", help="the pages of this one; rates are still the site's"
    )
    review.add_argument("--site", metavar="SITE", help="only this site")
    review.add_argument(
        "--html", type=Path, metavar="FILE", help="the report, one file that needs nothing else"
    )
    review.add_argument(
        "--pdf", type=Path, metavar="FILE", help="the report as PDF, by an installed Chromium"
    )
    review.add_argument("--csv", type=Path, metavar="DIR", help="every table as a CSV file in this folder")
    review.add_argument("--json", action="store_true", help="every table, one JSON object on standard output")
    review.add_argument(
        "--moments",
        type=int,
        default=3,
        metavar="N",
        help="moments a fault and operator (default: 3; 0: none)",
    )
    review.add_argument(
        "--coaching",
        type=Path,
        metavar="FILE",
        help="coaching notes, edited or translated (default: our own)",
    )
    recordings.add(review)
    review.set_defaults(run=_show)


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import review as review_command

    return review_command.show(options)
