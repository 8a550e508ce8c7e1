"""`strikewatch alerts`: list alerts, acknowledge and shelve them."""

import time
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_database_settings
from strikewatch.core.alert import PRIORITIES
from strikewatch.engine.lifecycle import ACTIVE, OPEN, STATES

if TYPE_CHECKING:
    from strikewatch.settings.database import DatabaseSettings
    from strikewatch.storage.actions.alerts import ActionResult, AlertActions
    from strikewatch.storage.queries.active import Mute
    from strikewatch.storage.queries.alerts import ListedAlert

ENDED: Final = 200
"""Ended alerts listed where no limit is given, those of the highest priority first."""


@click.group(
    cls=shared.Group,
    invoke_without_command=True,
    examples=(
        "strikewatch alerts --priority high",
        "strikewatch alerts acknowledge 3fa9c1 --by Kim",
        "strikewatch alerts shelve 3fa9c1 --for 2h --by Kim --reason 'waiting for parts'",
    ),
)
@shared.config
@shared.filters("site", "hammer", "fault", "operator")
@click.option("--priority", type=click.Choice(PRIORITIES), help="Only this priority.")
@click.option(
    "--state",
    type=click.Choice((*STATES, "any")),
    help="Only this state; normal: ended and acknowledged (default: all open).",
)
@shared.period("all", "now", since=True)
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    metavar="N",
    help=f"At most N (default: all active ones, and {ENDED} of those that have ended).",
)
@click.option("--muted", is_flag=True, help="Only what is muted: who, why, until when, and how to end it.")
@shared.as_json()
@click.pass_context
def command(context: click.Context, /, **_: object) -> int:
    """List alerts; acknowledge or shelve one, or show its history.

    Without a command: all active alerts, the highest priority first, ended ones that nobody has acknowledged, and what
    is muted. --from and --to select by onset.
    """
    return 0 if context.invoked_subcommand else _list()


def alert_options(function: shared.Function) -> shared.Function:
    """Add the argument and options of every command on one alert."""
    function = shared.as_json()(shared.config(function))
    function = click.option("--site", metavar="SITE", help="Where two sites have the same id.")(function)
    return click.argument("alert", metavar="ID")(function)


@command.command(examples=("strikewatch alerts acknowledge 3fa9c1 --by Kim --comment 'tip moved'",))
@alert_options
@shared.by
@click.option("--comment", metavar="TEXT", default="", help="Kept in the history.")
@shared.with_options
def acknowledge(options: Namespace) -> int:
    """Acknowledge the alert ID (its id, or a unique start of it)."""
    with open_actions(load_database_settings(options.config)) as actions:
        result = actions.acknowledge(
            options.alert, by=options.by, comment=options.comment, now=time.time_ns(), site=options.site
        )
    return _print_result(options, result, "Acknowledged" if result.changed else "It needs no acknowledgement")


@command.command(
    examples=("strikewatch alerts shelve 3fa9c1 --for 2h --by Kim --reason 'waiting for parts'",)
)
@alert_options
@click.option("--for", "span", metavar="TIME", help="For how long: 45min, 2h, 3d.")
@click.option("--until", metavar="WHEN", help="Until this instant: 2026-11-25T16:00:00Z.")
@shared.by
@shared.reason(required=True)
@shared.with_options
def shelve(options: Namespace) -> int:
    """Shelve the active alert ID: mute it for a while.

    What its hammer raises of the same fault is muted too, up to the priority that the alert has.
    """
    from strikewatch.cli.rendering.common import minute_and_zone
    from strikewatch.service.time_window import parse_time

    if (options.span is None) == (options.until is None):
        raise click.UsageError("give either --for TIME or --until WHEN")
    now = time.time_ns()
    until = parse_time(options.span or options.until, now)
    with open_actions(load_database_settings(options.config)) as actions:
        result = actions.shelve(
            options.alert, until=until, by=options.by, reason=options.reason, now=now, site=options.site
        )
    assert result.alert is not None
    what = (
        f"{result.alert.record['fault']} of {result.key[1]}, up to {result.alert.record['priority']} priority"
    )
    return _print_result(
        options, result, f"Shelved until {minute_and_zone(until, result.alert.record['site'])}: {what}"
    )


@command.command(examples=("strikewatch alerts unshelve 3fa9c1 --by Kim",))
@alert_options
@shared.by
@shared.reason(required=False)
@shared.with_options
def unshelve(options: Namespace) -> int:
    """End the shelving of the alert ID before its time."""
    with open_actions(load_database_settings(options.config)) as actions:
        result = actions.unshelve(
            options.alert, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    return _print_result(options, result, "Shelving ended" if result.changed else "It was not shelved")


@command.command(examples=("strikewatch alerts history 3fa9c1",))
@alert_options
@shared.with_options
def history(options: Namespace) -> int:
    """Show who did what with the alert ID, when and why."""
    from strikewatch.cli.rendering.alerts import show_history

    with open_actions(load_database_settings(options.config)) as actions:
        listed = actions.alert(options.alert, options.site)
        lines = actions.history(listed.record["id"], listed.record["site"])
    if options.json:
        output.print_json(lines)
    else:
        show_history(output.tables(), listed, lines)
    return 0


@shared.with_options
def _list(options: Namespace) -> int:
    from strikewatch.cli.rendering.alerts import show_alerts, show_muted

    settings, now = load_database_settings(options.config), time.time_ns()
    period = shared.instants(options, now, None)
    with open_actions(settings) as actions:
        muted = [entry for entry in actions.muted(settings.alarms.suppressed) if _fits(entry, options)]
        found, total = ([], 0) if options.muted else _found(actions, options, period)
    if options.json:
        output.print_json(entry.json() for entry in (muted if options.muted else found))
        return 0
    console = output.tables()
    if not options.muted:
        show_alerts(console, found, total=total)
    if muted or options.muted:
        show_muted(console, muted)
    return 0


def _found(
    actions: "AlertActions", options: Namespace, period: tuple[int | None, int | None]
) -> "tuple[list[ListedAlert], int]":
    """Return the alerts to list, and how many match in all."""
    from dataclasses import replace

    from strikewatch.storage.queries.alerts import Filter, Order

    states = {None: None, "any": STATES}.get(options.state, (options.state,))
    begin, end = period
    wanted = Filter(
        options.site,
        options.hammer,
        options.fault,
        options.operator,
        options.priority,
        begin,
        states,
        end,
    )
    order: Order = "gravity" if states is None else "newest"
    if states is None and options.limit is None:
        found = actions.alerts(replace(wanted, states=ACTIVE), None, order)
        found += actions.alerts(replace(wanted, states=OPEN - ACTIVE), ENDED, order)
    else:
        found = actions.alerts(wanted, options.limit or ENDED, order)
    return found, actions.count(wanted)


def _fits(mute: "Mute", options: Namespace) -> bool:
    """Return whether a mute can hold back alerts that match the options."""
    limits = ((mute.site, options.site), (mute.hammer, options.hammer), (mute.fault, options.fault))
    return all(muted is None or wanted in (None, muted) for muted, wanted in limits) and (
        mute.site is not None or options.site is None
    )


@contextmanager
def open_actions(settings: "DatabaseSettings") -> "Iterator[AlertActions]":
    """Open the database for operator actions."""
    from strikewatch.core.instant import seconds
    from strikewatch.storage.actions.alerts import AlertActions
    from strikewatch.storage.engines.shared import SharedDatabase

    with SharedDatabase(settings.store.where) as database:
        yield AlertActions(database, seconds(settings.alarms.longest_shelf_h * 3600))


def _print_result(options: Namespace, result: "ActionResult", message: str) -> int:
    """Print what was done, and the present state of the alert."""
    from strikewatch.cli.rendering.alerts import describe_alert

    assert result.alert is not None
    if options.json:
        output.print_json([{**result.alert.json(), "changed": result.changed}])
    else:
        console = output.tables()
        console.print(f"{message}.")
        console.print(describe_alert(result.alert))
    return 0
