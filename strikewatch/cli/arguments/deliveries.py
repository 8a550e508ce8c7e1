"""`strikewatch deliveries …`: its arguments."""

import argparse
from typing import Any

STATES = ("waiting", "sent", "parked")
MANY = 50


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    deliveries = commands.add_parser("deliveries", help="what was sent, waits or is parked; send again, test")
    deeds = deliveries.add_subparsers(required=True, metavar="WHAT")
    both = argparse.ArgumentParser(add_help=False, parents=[config])
    both.add_argument("--json", action="store_true", help="for programs: one JSON object a line")

    listed = deeds.add_parser("list", parents=[both], help="the newest deliveries")
    listed.add_argument("--endpoint", metavar="NAME", help="only those to this endpoint")
    listed.add_argument("--state", choices=STATES, help="only those in this state")
    listed.add_argument("--alert", metavar="ID", help="only those of this alert (id, or the start of one)")
    listed.add_argument("--limit", type=int, default=MANY, metavar="N", help=f"at most N (default: {MANY})")
    listed.set_defaults(run=_list)

    shown = deeds.add_parser("show", parents=[both], help="one delivery with every attempt")
    shown.add_argument("number", type=int, metavar="NUMBER")
    shown.set_defaults(run=_show)

    sent = deeds.add_parser("send", parents=[both], help="send parked deliveries again, in order")
    which = sent.add_mutually_exclusive_group(required=True)
    which.add_argument("numbers", type=int, nargs="*", default=[], metavar="NUMBER")
    which.add_argument("--endpoint", metavar="NAME", help="all that is parked for this endpoint")
    sent.set_defaults(run=_send)

    tested = deeds.add_parser("test", parents=[both], help="try the way to an endpoint, as an alert goes")
    tested.add_argument("endpoint", metavar="ENDPOINT")
    tested.set_defaults(run=_test)

    on = deeds.add_parser("on", parents=[both], help="switch an endpoint on again")
    on.add_argument("endpoint", metavar="ENDPOINT")
    on.set_defaults(run=_on)

    off = deeds.add_parser(
        "off", parents=[both], help="send nothing more to an endpoint until it is on again"
    )
    off.add_argument("endpoint", metavar="ENDPOINT")
    off.add_argument("--reason", required=True, help="why, for those who wonder")
    off.set_defaults(run=_off)


def _list(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import show_list
    from strikewatch.settings.tree import load

    return show_list(
        load(options.config),
        endpoint=options.endpoint,
        state=options.state,
        alert=options.alert,
        limit=options.limit,
        as_json=options.json,
    )


def _show(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import show_one
    from strikewatch.settings.tree import load

    return show_one(load(options.config), options.number, as_json=options.json)


def _send(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import send
    from strikewatch.settings.tree import load

    return send(load(options.config), options.numbers, options.endpoint, as_json=options.json)


def _test(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import test
    from strikewatch.settings.tree import load

    return test(load(options.config), options.endpoint, as_json=options.json)


def _off(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import switch_off
    from strikewatch.settings.tree import load

    return switch_off(load(options.config), options.endpoint, options.reason, as_json=options.json)


def _on(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.deliveries import switch_on
    from strikewatch.settings.tree import load

    return switch_on(load(options.config), options.endpoint, as_json=options.json)
