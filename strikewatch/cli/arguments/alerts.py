"""`strikewatch alerts …`, `hammer …` and `figures`: their arguments."""

import argparse
from pathlib import Path
from typing import Any

from strikewatch.core.alert import PRIORITIES
from strikewatch.engine.lifecycle import STATES
from strikewatch.service.time_parsing import WHEN


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the commands to the others; `config` brings what all of them take."""
    _alerts(commands, config)
    _hammer(commands, config)
    _figures(commands, config)


def _alerts(commands: Any, config: argparse.ArgumentParser) -> None:
    alerts = commands.add_parser(
        "alerts",
        parents=[config, _json(False)],
        help="list open alerts; acknowledge, shelve, unshelve, history",
        description="Without a deed: all active alerts, the gravest first, ended ones that nobody has acknowledged, "
        "and what is muted. With one: what a person does with an alert.",
    )
    for name, meant in (("site", "SITE"), ("hammer", "HAMMER"), ("fault", "FAULT"), ("operator", "OPERATOR")):
        alerts.add_argument(f"--{name}", metavar=meant, help=f"only those of this {name}")
    alerts.add_argument("--priority", choices=PRIORITIES, help="only those of this priority")
    alerts.add_argument(
        "--state", choices=(*STATES, "any"), help="only those in this state; normal: over (default: all open)"
    )
    alerts.add_argument("--since", metavar="WHEN", help=f"only from this onset on: {WHEN % 'ago'}")
    alerts.add_argument(
        "--limit",
        type=int,
        metavar="N",
        help="at most N (default: all active ones, and 200 of those that have ended)",
    )
    alerts.add_argument(
        "--muted", action="store_true", help="only what is muted: who, why, until when, and how to end it"
    )
    alerts.set_defaults(run=_list)
    deeds = alerts.add_subparsers(metavar="DEED")
    one = argparse.ArgumentParser(add_help=False, parents=[_again()])
    one.add_argument("alert", metavar="ID", help="the alert's id, or a unique start of it")
    one.add_argument(
        "--site", metavar="SITE", default=argparse.SUPPRESS, help="where two sites have the same id"
    )

    seen = deeds.add_parser("acknowledge", parents=[one], help="say that somebody has seen it")
    _who(seen)
    seen.add_argument("--comment", metavar="TEXT", default="", help="goes into its history")
    seen.set_defaults(run=_acknowledge)

    shelve = deeds.add_parser(
        "shelve",
        parents=[one],
        help="mute it for a while",
        description="Shelves an active alert, and what its hammer raises of the same fault, up to the priority it has.",
    )
    ends = shelve.add_mutually_exclusive_group(required=True)
    ends.add_argument("--for", dest="until", metavar="TIME", help="for how long: 45min, 2h, 3d")
    ends.add_argument(
        "--until", dest="until", metavar="WHEN", help="until this instant: 2026-11-25T16:00:00Z"
    )
    _who(shelve)
    shelve.add_argument("--reason", metavar="TEXT", required=True, help="why; goes into its history")
    shelve.set_defaults(run=_shelve)

    unshelve = deeds.add_parser("unshelve", parents=[one], help="end its shelf before its time")
    _who(unshelve)
    unshelve.add_argument("--reason", metavar="TEXT", default="", help="goes into its history")
    unshelve.set_defaults(run=_unshelve)

    history = deeds.add_parser("history", parents=[one], help="who did what with it, when and why")
    history.set_defaults(run=_history)


def _hammer(commands: Any, config: argparse.ArgumentParser) -> None:
    hammer = commands.add_parser(
        "hammer", help="put a hammer out of service, or in service again; end a shelf"
    )
    deeds = hammer.add_subparsers(required=True, metavar="DEED")
    one = argparse.ArgumentParser(add_help=False, parents=[config, _json(False)])
    one.add_argument("hammer", metavar="HAMMER", help="such as HB-03")
    one.add_argument("--site", metavar="SITE", help="where two sites have a hammer of that name")
    _who(one)
    out = deeds.add_parser(
        "out-of-service", parents=[one], help="it is in the workshop: nothing of it is told"
    )
    out.add_argument("--reason", metavar="TEXT", required=True, help="why; goes into the history")
    out.add_argument(
        "--until", metavar="WHEN", help=f"back by then: {WHEN % 'from now'}; default: until told"
    )
    out.set_defaults(run=_out_of_service)
    back = deeds.add_parser("in-service", parents=[one], help="it is back")
    back.add_argument("--reason", metavar="TEXT", default="", help="goes into the history")
    back.set_defaults(run=_in_service)
    shelf = deeds.add_parser(
        "end-shelving",
        parents=[one],
        help="end the shelf of one of its faults, with or without an alert on it",
    )
    shelf.add_argument("fault", metavar="FAULT", help="such as same_spot")
    shelf.add_argument("--reason", metavar="TEXT", default="", help="goes into the history")
    shelf.set_defaults(run=_end_shelving)


def _figures(commands: Any, config: argparse.ArgumentParser) -> None:
    figures = commands.add_parser(
        "figures",
        parents=[config, _json(False)],
        help="how many alerts people get, against published yardsticks",
    )
    figures.add_argument("--from", dest="begin", metavar="WHEN", help=f"{WHEN % 'ago'}; default: 30d")
    figures.add_argument("--to", dest="end", metavar="WHEN", help=f"{WHEN % 'ago'}; default: now")
    figures.add_argument("--site", metavar="SITE", help="only this site")
    figures.set_defaults(run=_show_figures)


def _json(default: Any) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument(
        "--json", action="store_true", default=default, help="for programs: one JSON object a line"
    )
    return parser


def _again() -> argparse.ArgumentParser:
    """What may stand before a deed or after it."""
    parser = argparse.ArgumentParser(add_help=False, parents=[_json(argparse.SUPPRESS)])
    parser.add_argument(
        "--config", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="settings, TOML"
    )
    return parser


def _who(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", required=True, help="who does it; goes into the history")


def _list(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.show_list(options)


def _acknowledge(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.acknowledge(options)


def _shelve(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.shelve(options)


def _unshelve(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.unshelve(options)


def _history(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.history(options)


def _out_of_service(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.out_of_service(options)


def _in_service(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.in_service(options)


def _end_shelving(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alerts as alerts_command

    return alerts_command.end_shelving(options)


def _show_figures(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import alarm_metrics

    return alarm_metrics.show(options)
