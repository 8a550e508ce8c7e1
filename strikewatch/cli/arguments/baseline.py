"""`strikewatch baseline …`: its arguments."""

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    baseline = commands.add_parser(
        "baseline",
        parents=[config],
        help="the loaded pressure level each hammer has shown; learn it anew",
        description="The level of supply pressure that each hammer has when its tool is loaded, which blank firing is "
        "judged against: how well it is known, how far it spreads from bout to bout, how far it falls when struck "
        "blank, and how it goes with engine speed. With --hammer also day by day.",
    )
    _which(baseline)
    baseline.add_argument("--since", metavar="WHEN", default="30d", help="days from then on (default: 30d)")
    baseline.add_argument("--json", action="store_true", help="for programs: one JSON object a hammer")
    baseline.set_defaults(run=_show)
    deeds = baseline.add_subparsers(metavar="DEED")
    anew = deeds.add_parser(
        "relearn", help="after other seals, another carrier: forget what was learned and begin again"
    )
    anew.add_argument("hammer", metavar="HAMMER", help="such as HB-03")
    anew.add_argument("--site", metavar="SITE", default=argparse.SUPPRESS, help="where two sites have it")
    anew.add_argument("--by", metavar="NAME", required=True, help="who does it; kept with the event")
    anew.add_argument("--reason", metavar="TEXT", required=True, help="why; kept with the event")
    anew.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="for programs")
    anew.add_argument("--config", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="settings, TOML")
    anew.set_defaults(run=_relearn)


def _which(parser: argparse.ArgumentParser) -> None:
    for name in ("site", "hammer"):
        parser.add_argument(f"--{name}", metavar=name.upper(), help=f"only this {name}")


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import baseline as baseline_command

    return baseline_command.show(options)


def _relearn(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import baseline as baseline_command

    return baseline_command.relearn(options)
