"""`strikewatch coaching`: log when an operator was coached on which fault, list the entries, withdraw one."""

import time
from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import local, plain_table
from strikewatch.cli.settings_file import load_settings, open_database


@shared.group(
    "strikewatch coaching --operator op-14",
    "strikewatch coaching log op-14 same_spot --by trainer",
    invoke_without_command=True,
)
@shared.config
@shared.filters("site", "operator")
@shared.as_json("one entry a line")
def coaching(options: Namespace) -> None:
    """List whom you coached on what, the newest first. The review compares the rates before and after."""
    from strikewatch.core import instant
    from strikewatch.storage.actions.coaching import list_coaching

    with open_database(load_settings(options.config)) as database:
        entries = list_coaching(database, options.site, options.operator)
    if options.json:
        output.print_json(
            {
                "number": entry.number,
                "site": entry.event.site,
                "operator": entry.event.fields["operator"],
                "fault": entry.event.fields["fault"],
                "time": instant.text(entry.event.time),
                "who": entry.who,
                "note": entry.event.fields.get("note", ""),
            }
            for entry in entries
        )
        return
    console = output.tables()
    if not entries:
        console.print(
            "No coaching is logged. To log a talk: strikewatch coaching log OPERATOR FAULT --by NAME."
        )
        return
    table = plain_table(
        "number", "when", "operator", "fault", "site", "by", "note", right=("number",), wrap=("note",)
    )
    for entry in entries:
        event = entry.event
        table.add_row(
            str(entry.number),
            f"{local(event.time, event.site):%Y-%m-%d %H:%M}",
            event.fields["operator"],
            event.fields["fault"],
            event.site,
            entry.who or "gateway",
            event.fields.get("note", ""),
        )
    console.print(table)


@coaching.command(
    examples=(
        "strikewatch coaching log op-14 same_spot blank_firing --by trainer",
        "strikewatch coaching log op-14 hot_oil --by trainer --time 2026-07-08T14:00:00Z --note 'watch the gauge'",
    )
)
@click.argument("operator", metavar="OPERATOR")
@click.argument("faults", metavar="FAULT...", nargs=-1, required=True)
@shared.by
@click.option(
    "--time", "at", metavar="WHEN", help="When you talked: an instant, or how long ago (default: now)."
)
@click.option("--note", metavar="TEXT", default="", help="What was agreed.")
@click.option("--site", metavar="SITE", help="Where the operator works at two sites.")
@shared.config
@shared.as_json("one entry a line")
def log(options: Namespace) -> None:
    """Log that OPERATOR was coached on one or more faults.

    The review then shows the rate before and after, with its 95 % limits.
    """
    from strikewatch.errors import Refused
    from strikewatch.review.data.schemas import OPERATOR_FAULTS
    from strikewatch.service.time_window import parse_time
    from strikewatch.storage.actions.coaching import log_coaching

    unknown = [fault for fault in options.faults if fault not in OPERATOR_FAULTS]
    if unknown:
        raise Refused(f"{unknown[0]!r} is not a fault of operators: choose from {', '.join(OPERATOR_FAULTS)}")
    now = time.time_ns()
    at = now if options.at is None else parse_time(options.at, now, back=True)
    if at > now:
        raise Refused(f"--time {options.at} is in the future: log a talk once it has taken place")
    with open_database(load_settings(options.config)) as database:
        entries = log_coaching(
            database,
            options.operator,
            options.faults,
            site=options.site,
            at=at,
            who=options.by,
            now=now,
            note=options.note,
        )
    if options.json:
        output.print_json(entry.json() for entry in entries)
        return
    for entry in entries:
        event = entry.event
        print(
            f"Logged as {entry.number}: {options.operator} was coached on {event.fields['fault']}, "
            f"{local(event.time, event.site):%Y-%m-%d %H:%M %Z}, {event.site}."
        )


@coaching.command(examples=("strikewatch coaching withdraw 417 --by trainer",))
@click.argument("number", metavar="NUMBER", type=click.IntRange(min=1))
@shared.by
@shared.config
@shared.as_json()
def withdraw(options: Namespace) -> None:
    """Withdraw the coaching entry NUMBER, which was wrong. It stays on record as withdrawn."""
    from strikewatch.storage.actions.coaching import withdraw_coaching

    with open_database(load_settings(options.config)) as database:
        entry = withdraw_coaching(database, options.number, who=options.by, now=time.time_ns())
    fields = entry.event.fields
    message = f"Withdrawn: {fields['operator']} was coached on {fields['fault']}."
    output.print_result(options, {"number": entry.number, "withdrawn": True}, message)
