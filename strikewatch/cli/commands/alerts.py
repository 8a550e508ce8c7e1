"""`strikewatch alerts` and `hammer`: list alerts, acknowledge and shelve them; take hammers out of service."""

import time
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import counted, minute_and_zone
from strikewatch.cli.settings_file import load_database_settings, open_database
from strikewatch.core.alert import PRIORITIES
from strikewatch.engine.lifecycle import ACTIVE, OPEN, STATES

if TYPE_CHECKING:
    from strikewatch.settings.database import DatabaseSettings
    from strikewatch.storage.actions.alerts import AlertActions
    from strikewatch.storage.actions.transaction import ActionResult
    from strikewatch.storage.queries.active import Mute
    from strikewatch.storage.queries.alerts import ListedAlert

ENDED: Final = 200
"""Ended alerts listed where no limit is given, those of the highest priority first."""


@shared.group(
    "strikewatch alerts --priority high",
    "strikewatch alerts acknowledge 3fa9c1 --by Kim",
    "strikewatch alerts shelve 3fa9c1 --for 2h --by Kim --reason 'waiting for parts'",
    invoke_without_command=True,
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
@shared.limit(f"At most N (default: all active ones, and {ENDED} of those that have ended).")
@click.option("--muted", is_flag=True, help="Only what is muted: who, why, until when, and how to end it.")
@shared.as_json()
def alerts(options: Namespace) -> None:
    """List alerts; acknowledge or shelve one, or show its history.

    Without a command: all active alerts, the highest priority first, ended ones that nobody has acknowledged, and what
    is muted. --from and --to select by onset.
    """
    from strikewatch.cli.alert_tables import show_alerts, show_muted

    settings, now = load_database_settings(options.config), time.time_ns()
    period = shared.instants(options, now, None)
    with _open_actions(settings) as actions:
        muted = [mute for mute in actions.muted(settings.alarms.suppressed) if _matches(mute, options)]
        found, total = ([], 0) if options.muted else _search(actions, options, period)
    if options.json:
        output.print_json(entry.json() for entry in (muted if options.muted else found))
        output.print_cut(len(found), total, "alerts")
        return
    console = output.tables()
    if not options.muted:
        show_alerts(console, found, total=total)
    if muted or options.muted:
        show_muted(console, muted)


def _search(
    actions: "AlertActions", options: Namespace, period: tuple[int | None, int | None]
) -> "tuple[list[ListedAlert], int]":
    """Return the alerts to list, and how many match in all."""
    from dataclasses import replace

    from strikewatch.storage.queries.alerts import Filter

    begin, end = period
    states = {None: None, "any": STATES}.get(options.state, (options.state,))
    wanted = Filter(
        site=options.site,
        hammer=options.hammer,
        fault=options.fault,
        operator=options.operator,
        priority=options.priority,
        since=begin,
        states=states,
        before=end,
    )
    if states is not None:
        found = actions.alerts(wanted, options.limit or ENDED, "newest")
    elif options.limit is not None:
        found = actions.alerts(wanted, options.limit, "gravity")
    else:
        found = actions.alerts(replace(wanted, states=ACTIVE), None, "gravity")
        found += actions.alerts(replace(wanted, states=OPEN - ACTIVE), ENDED, "gravity")
    return found, actions.count(wanted)


def _matches(mute: "Mute", options: Namespace) -> bool:
    """Return whether a mute can hold back alerts that match the options."""
    limits = ((mute.site, options.site), (mute.hammer, options.hammer), (mute.fault, options.fault))
    return all(muted is None or wanted in (None, muted) for muted, wanted in limits) and (
        mute.site is not None or options.site is None
    )


@contextmanager
def _open_actions(settings: "DatabaseSettings") -> "Iterator[AlertActions]":
    """Open the database for operator actions."""
    from strikewatch.core.instant import seconds
    from strikewatch.storage.actions.alerts import AlertActions

    with open_database(settings) as database:
        yield AlertActions(database, seconds(settings.alarms.longest_shelf_h * 3600))


def _alert_options(function: shared.Function) -> shared.Function:
    """Add the argument and options of every command on one alert."""
    function = shared.as_json()(shared.config(function))
    function = click.option("--site", metavar="SITE", help="Where two sites have the same id.")(function)
    return click.argument("alert", metavar="ID")(function)


@alerts.command(examples=("strikewatch alerts acknowledge 3fa9c1 --by Kim --comment 'tip moved'",))
@_alert_options
@shared.by
@click.option("--comment", metavar="TEXT", default="", help="Kept in the history.")
def acknowledge(options: Namespace) -> None:
    """Acknowledge the alert ID (its id, or a unique start of it)."""
    with _open_actions(load_database_settings(options.config)) as actions:
        result = actions.acknowledge(
            options.alert, by=options.by, comment=options.comment, now=time.time_ns(), site=options.site
        )
    _print_result(options, result, "Acknowledged" if result.changed else "It needs no acknowledgement")


@alerts.command(examples=("strikewatch alerts shelve 3fa9c1 --for 2h --by Kim --reason 'waiting for parts'",))
@_alert_options
@click.option("--for", "span", metavar="TIME", help="For how long: 45min, 2h, 3d.")
@click.option("--until", metavar="WHEN", help="Until this instant: 2026-11-25T16:00:00Z.")
@shared.by
@shared.reason(required=True)
def shelve(options: Namespace) -> None:
    """Shelve the active alert ID: mute it for a while.

    What its hammer raises of the same fault is muted too, up to the priority that the alert has.
    """
    from strikewatch.service.time_window import parse_time

    if (options.span is None) == (options.until is None):
        raise click.UsageError("give either --for TIME or --until WHEN")
    now = time.time_ns()
    until = parse_time(options.span or options.until, now)
    with _open_actions(load_database_settings(options.config)) as actions:
        result = actions.shelve(
            options.alert, until=until, by=options.by, reason=options.reason, now=now, site=options.site
        )
    assert result.alert is not None
    record = result.alert.record
    what = f"{record['fault']} of {record['hammer']}, up to {record['priority']} priority"
    _print_result(options, result, f"Shelved until {minute_and_zone(until, record['site'])}: {what}")


@alerts.command(examples=("strikewatch alerts unshelve 3fa9c1 --by Kim",))
@_alert_options
@shared.by
@shared.reason(required=False)
def unshelve(options: Namespace) -> None:
    """End the shelving of the alert ID before its time."""
    with _open_actions(load_database_settings(options.config)) as actions:
        result = actions.unshelve(
            options.alert, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    _print_result(options, result, "Shelving ended" if result.changed else "It was not shelved")


@alerts.command(examples=("strikewatch alerts history 3fa9c1",))
@_alert_options
def history(options: Namespace) -> None:
    """Show who did what with the alert ID, when and why."""
    from strikewatch.cli.alert_tables import show_history

    with _open_actions(load_database_settings(options.config)) as actions:
        listed = actions.alert(options.alert, options.site)
        lines = actions.history(listed.record["id"], listed.record["site"])
    if options.json:
        output.print_json(lines)
    else:
        show_history(output.tables(), listed, lines)


def _print_result(options: Namespace, result: "ActionResult", message: str) -> None:
    """Print what was done, and the present state of the alert."""
    from strikewatch.cli.alert_tables import describe_alert

    assert result.alert is not None
    record = {**result.alert.json(), "changed": result.changed}
    output.print_result(options, record, f"{message}.", describe_alert(result.alert))


@shared.group(
    "strikewatch hammer out-of-service HB-03 --by Kim --reason workshop --until 2d",
    "strikewatch hammer in-service HB-03 --by Kim",
)
def hammer(_options: Namespace) -> None:
    """Take a hammer out of service, or put it back; end shelving."""


def _hammer_options(function: shared.Function) -> shared.Function:
    """Add the argument and options of every command on one hammer."""
    return shared.one_hammer(shared.as_json()(shared.config(shared.by(function))))


@hammer.command(
    "out-of-service",
    examples=("strikewatch hammer out-of-service HB-03 --by Kim --reason workshop --until 2d",),
)
@_hammer_options
@shared.reason(required=True)
@click.option(
    "--until", metavar="WHEN", help="Back by then: an instant, or 2h, 3d from now (default: open end)."
)
def out_of_service(options: Namespace) -> None:
    """Take HAMMER out of service: its alerts are recorded, not sent."""
    from strikewatch.core import instant
    from strikewatch.service.time_window import parse_time

    now = time.time_ns()
    until = None if options.until is None else parse_time(options.until, now)
    with _open_actions(load_database_settings(options.config)) as actions:
        result = actions.out_of_service(
            options.hammer, by=options.by, reason=options.reason, until=until, now=now, site=options.site
        )
    if until is None:
        record, ends = None, "until it is put back in service"
    else:
        record, ends = instant.text(until), f"until {minute_and_zone(until, result.key[0])}"
    _print_service(options, result, "out_of_service", f"is out of service {ends}", record)


@hammer.command("in-service", examples=("strikewatch hammer in-service HB-03 --by Kim",))
@_hammer_options
@shared.reason(required=False)
def in_service(options: Namespace) -> None:
    """Put HAMMER back in service."""
    with _open_actions(load_database_settings(options.config)) as actions:
        result = actions.in_service(
            options.hammer, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    _print_service(options, result, "in_service", "is in service", None)


def _print_service(
    options: Namespace, result: "ActionResult", service: str, message: str, until: str | None
) -> None:
    site, name = result.key
    record = {"site": site, "hammer": name, "service": service, "until": until, "changed": result.changed}
    output.print_result(
        options, record, f"{name} at {site} {message}; {counted(result.changed, 'open alert')} changed."
    )


@hammer.command("end-shelving", examples=("strikewatch hammer end-shelving HB-03 same_spot --by Kim",))
@_hammer_options
@click.argument("fault", metavar="FAULT")
@shared.reason(required=False)
def end_shelving(options: Namespace) -> None:
    """End the shelving of FAULT (such as same_spot) of HAMMER, whether or not an alert is active."""
    name, fault, site = options.hammer, options.fault, options.site
    with _open_actions(load_database_settings(options.config)) as actions:
        shelved = any(
            (mute.hammer, mute.fault) == (name, fault) and site in (None, mute.site)
            for mute in actions.muted(())
        )
        result = actions.end_shelving(
            name, fault, by=options.by, reason=options.reason, now=time.time_ns(), site=site
        )
    site, name = result.key
    message = (
        f"Shelving ended; {counted(result.changed, 'active alert')} changed."
        if shelved
        else "It was not shelved."
    )
    record = {"site": site, "hammer": name, "fault": fault, "changed": result.changed}
    output.print_result(options, record, f"{fault} of {name} at {site}: {message}")
