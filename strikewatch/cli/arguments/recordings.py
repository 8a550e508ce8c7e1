"""What all commands take that read recorded shifts: how tables in another form are read, and what may be left out."""

import argparse


def add(parser: argparse.ArgumentParser) -> None:
    """Add these options to a command."""
    group = parser.add_argument_group("recordings in another form")
    group.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="NAME=COLUMN",
        help="the column of time, hammer, site or a channel, such as pressure_bar='Druck [bar]'; again for more",
    )
    group.add_argument("--as-hammer", metavar="HAMMER", help="the hammer of tables without a hammer column")
    group.add_argument(
        "--as-site", metavar="SITE", help="the site of tables without a site column (default: their folder)"
    )
    group.add_argument(
        "--zone", metavar="ZONE", help="of times without an offset from UTC, such as Europe/Vienna"
    )
    group.add_argument(
        "--allow-loss",
        type=float,
        default=1.0,
        metavar="PERCENT",
        help="go on though so much of a recording cannot be used (default: 1); more is an error, exit code 2",
    )
