"""`strikewatch review` and `coaching`: the trainer's review, and a log of who was coached on which fault."""

import time
from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import local, plain_table
from strikewatch.cli.settings_file import load_database_settings, load_settings, open_database

NO_BROWSER: Final = (
    "No Chromium is installed, so the PDF is the summary as plain text, without pictures. For the whole report: "
    "install it (Debian: apt install chromium), or open the HTML file in any browser and print it."
)


@shared.command(
    "strikewatch review --from 7d --html review.html",
    "strikewatch review replay_data/hot-bench --operator op-14",
)
@shared.shifts(required=False)
@shared.config
@shared.period("7d, of recorded shifts their begin", "now, of recorded shifts their end")
@click.option(
    "--operator", metavar="OPERATOR", help="The pages of this operator; rates are still the site's."
)
@shared.filters("site")
@click.option(
    "--html", type=shared.PATH, metavar="FILE", help="Write the report, one file that needs nothing else."
)
@click.option(
    "--pdf", type=shared.PATH, metavar="FILE", help="Write the report as PDF, by an installed Chromium."
)
@click.option(
    "--csv", type=shared.PATH, metavar="DIR", help="Write every table as a CSV file in this folder."
)
@shared.as_json("every table, one object")
@click.option(
    "--highlights",
    type=click.IntRange(min=0),
    default=3,
    metavar="N",
    help="Highlights of each operator (default: 3; 0: none).",
)
@click.option("--moments", type=click.IntRange(min=0), hidden=True)
@click.option("--coaching", type=shared.PATH, metavar="FILE", help="Coaching notes, edited or translated.")
def review(options: Namespace) -> None:
    """Make the trainer's review: rates, whom to coach, on what, with which examples.

    Over the database, or over recorded shifts. Without an output option, a summary is printed.
    """
    from strikewatch.cli import review_report
    from strikewatch.cli.review_summary import show
    from strikewatch.core import instant
    from strikewatch.programs import find_program
    from strikewatch.review.report import files

    if options.moments is not None:  # the former name
        options.highlights = options.moments
    notes = output.notes()
    settings = load_settings(options.config)
    if options.pdf and find_program("chromium") is None:
        notes.print(NO_BROWSER, style="yellow")
    made = review_report.review(options, settings, notes)
    written = review_report.write(options, made.report)
    every = review_report.tables_by_name(made.tables, made.highlights, options.operator)
    if options.csv:
        files.to_csv(every, options.csv)
        written += [str(options.csv / f"{name}.csv") for name in every]
    if options.json:
        head = {"begin": instant.text(made.report.begin), "end": instant.text(made.report.end)}
        print(files.to_json(every, head))
    else:
        show(output.tables(), made.report, written)


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

    with open_database(load_database_settings(options.config)) as database:
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
    with open_database(load_database_settings(options.config)) as database:
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

    with open_database(load_database_settings(options.config)) as database:
        entry = withdraw_coaching(database, options.number, who=options.by, now=time.time_ns())
    fields = entry.event.fields
    message = f"Withdrawn: {fields['operator']} was coached on {fields['fault']}."
    output.print_result(options, {"number": entry.number, "withdrawn": True}, message)
