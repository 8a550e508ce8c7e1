"""`strikewatch hammer`: take a hammer out of service, put it back, end shelving."""

import time
from argparse import Namespace
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.commands.alerts import open_actions
from strikewatch.cli.settings_file import load_database_settings

if TYPE_CHECKING:
    from strikewatch.storage.actions.alerts import ActionResult


@click.group(
    cls=shared.Group,
    examples=(
        "strikewatch hammer out-of-service HB-03 --by Kim --reason workshop --until 2d",
        "strikewatch hammer in-service HB-03 --by Kim",
    ),
)
def command(**_: object) -> None:
    """Take a hammer out of service, or put it back; end shelving."""


def hammer_options(function: shared.Function) -> shared.Function:
    """Add the argument and options of every command on one hammer."""
    function = shared.as_json()(shared.config(shared.by(function)))
    function = click.option("--site", metavar="SITE", help="Where two sites have a hammer of that name.")(
        function
    )
    return click.argument("hammer", metavar="HAMMER")(function)


@command.command(
    "out-of-service",
    examples=("strikewatch hammer out-of-service HB-03 --by Kim --reason workshop --until 2d",),
)
@hammer_options
@shared.reason(required=True)
@click.option(
    "--until", metavar="WHEN", help="Back by then: an instant, or 2h, 3d from now (default: open end)."
)
@shared.with_options
def out_of_service(options: Namespace) -> int:
    """Take HAMMER out of service: its alerts are recorded, not sent."""
    from strikewatch.cli.rendering.common import minute_and_zone
    from strikewatch.core import instant
    from strikewatch.service.time_window import parse_time

    now = time.time_ns()
    until = None if options.until is None else parse_time(options.until, now)
    with open_actions(load_database_settings(options.config)) as actions:
        result = actions.out_of_service(
            options.hammer, by=options.by, reason=options.reason, until=until, now=now, site=options.site
        )
    ends = "until it is put in service" if until is None else f"until {minute_and_zone(until, result.key[0])}"
    return _print_result(
        options,
        result,
        "out_of_service",
        f"is out of service {ends}",
        None if until is None else instant.text(until),
    )


@command.command("in-service", examples=("strikewatch hammer in-service HB-03 --by Kim",))
@hammer_options
@shared.reason(required=False)
@shared.with_options
def in_service(options: Namespace) -> int:
    """Put HAMMER back in service."""
    with open_actions(load_database_settings(options.config)) as actions:
        result = actions.in_service(
            options.hammer, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    return _print_result(options, result, "in_service", "is in service", None)


@command.command("end-shelving", examples=("strikewatch hammer end-shelving HB-03 same_spot --by Kim",))
@hammer_options
@click.argument("fault", metavar="FAULT")
@shared.reason(required=False)
@shared.with_options
def end_shelving(options: Namespace) -> int:
    """End the shelving of FAULT (such as same_spot) of HAMMER, whether or not an alert is active."""
    with open_actions(load_database_settings(options.config)) as actions:
        shelved = any(
            (mute.hammer, mute.fault) == (options.hammer, options.fault) and options.site in (None, mute.site)
            for mute in actions.muted(())
        )
        result = actions.end_shelving(
            options.hammer,
            options.fault,
            by=options.by,
            reason=options.reason,
            now=time.time_ns(),
            site=options.site,
        )
    site, hammer = result.key
    if options.json:
        output.print_json(
            [{"site": site, "hammer": hammer, "fault": options.fault, "changed": result.changed}]
        )
    else:
        many = "1 active alert" if result.changed == 1 else f"{result.changed} active alerts"
        message = f"Shelving ended; {many} changed." if shelved else "It was not shelved."
        print(f"{options.fault} of {hammer} at {site}: {message}")
    return 0


def _print_result(
    options: Namespace, result: "ActionResult", service: str, message: str, until: str | None
) -> int:
    site, hammer = result.key
    if options.json:
        output.print_json(
            [{"site": site, "hammer": hammer, "service": service, "until": until, "changed": result.changed}]
        )
    else:
        many = "1 open alert" if result.changed == 1 else f"{result.changed} open alerts"
        print(f"{hammer} at {site} {message}; {many} changed.")
    return 0
