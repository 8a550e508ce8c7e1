"""`strikewatch usage` and `baseline`: the use and misuse of each hammer, and its loaded pressure level."""

import time
from argparse import Namespace
from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import minute_and_zone, plain_table
from strikewatch.cli.settings_file import load_database_settings, load_settings, open_database

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.core.batch import Key
    from strikewatch.core.instant import Instant
    from strikewatch.settings.tree import Settings
    from strikewatch.storage.queries.baselines import Day

LABEL_WIDTH: Final = 34
"""Width of a measure's name, in columns."""
CELL_WIDTH: Final = 18
"""Width of an amount with its rate, in columns."""


@shared.command("strikewatch usage --from 7d", "strikewatch usage replay_data/pad-handover --csv")
@shared.shifts(required=False)
@shared.config
@shared.period("7d, of recorded shifts their begin", "now, of recorded shifts their end")
@shared.filters("site", "hammer")
@shared.as_json("one object")
@click.option("--csv", is_flag=True, help="Print the table as CSV.")
def usage(options: Namespace) -> None:
    """Show the use of each hammer: hours, blows, hot, blank and misused seconds, missed maintenance.

    Over the database, or over recorded shifts: in all, and per firing hour so that hammers compare.
    """
    from strikewatch.core import instant
    from strikewatch.review.report.files import to_json
    from strikewatch.service.reviews.hammers import usage_from_options

    if options.json and options.csv:
        raise click.UsageError("give --json or --csv, not both")
    # replayed shifts show a progress bar of their own
    with output.progress_status("Reading the database", shown=not options.paths):
        table, begin, end = usage_from_options(
            options, load_settings(options.config), time.time_ns(), output.notes()
        )
    table = _narrowed(table, options.site, options.hammer)
    if options.json:
        print(to_json({"use": table}, {"begin": instant.text(begin), "end": instant.text(end)}))
    elif options.csv:
        print(table.to_csv(index=False), end="")
    else:
        _show_usage(output.tables(), table, f"{minute_and_zone(begin)} to {minute_and_zone(end)}")


def _narrowed(table: "pd.DataFrame", site: str | None, hammer: str | None) -> "pd.DataFrame":
    from strikewatch.errors import Refused

    if site is not None:
        table = table[table["site"] == site]
    if hammer is not None and hammer not in set(table["hammer"]):
        known = ", ".join(sorted(set(table["hammer"]))) or "none"
        raise Refused(f"{hammer} did not work in this period; hammers that did: {known}")
    return (table if hammer is None else table[table["hammer"] == hammer]).reset_index(drop=True)


def _show_usage(console: Console, table: "pd.DataFrame", period: str) -> None:
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.report.hammers import less_certain, not_known

    console.print(Text.assemble(("Hammer usage", "bold"), f"  {period}"))
    if not len(table):
        console.print("No work is recorded in this period: no carrier was seen working.")
        return
    for site, own in table.groupby("site", sort=True):
        console.print()
        console.print(str(site), style="bold")
        hammers = sorted(own["hammer"].unique())
        columns = max(1, (console.width - LABEL_WIDTH) // CELL_WIDTH)
        for first in range(0, len(hammers), columns):
            console.print(_side_by_side(own, hammers[first : first + columns]))
        for line in (*not_known(own), *less_certain(own)):
            console.print(line, style="dim")
    console.print()
    console.print("In all, and in brackets per firing hour; –: not known.", style="dim")
    console.print(CAUTION, style="dim")


def _side_by_side(table: "pd.DataFrame", hammers: Sequence[str]) -> Table:
    from strikewatch.review.usage import MEASURES

    shown = plain_table("", *hammers, right=hammers, wrap=("",))
    for measure, own in table.groupby("measure", sort=False):
        cells = {row["hammer"]: _cell(row) for row in own.to_dict("records")}
        shown.add_row(MEASURES[str(measure)].title, *(cells.get(hammer, "") for hammer in hammers))
    return shown


def _cell(row: Mapping[Hashable, Any]) -> str:
    from strikewatch.review.charts.drawing import format_number

    rate = row["per_firing_h"]
    amount = format_number(row["amount"])
    has_rate = row["measure"] != "firing_h" and rate == rate
    return f"{amount} ({format_number(rate)})" if has_rate else amount


@shared.group(
    "strikewatch baseline --hammer HB-03",
    "strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",
    invoke_without_command=True,
)
@shared.config
@shared.filters("site", "hammer")
@shared.period("30d", "now", since=True)
@shared.as_json("one hammer a line")
def baseline(options: Namespace) -> None:
    """Show the supply pressure that each hammer has with its tool loaded; relearn it.

    Blank firing is judged against it: how well it is known, how far it spreads from bout to bout, how far it falls at
    blank blows, and how it changes with engine speed. With --hammer also day by day.
    """
    from dataclasses import asdict

    from strikewatch.core import instant
    from strikewatch.detectors.blank_firing import blank_firing
    from strikewatch.engine.state import part_of
    from strikewatch.storage.queries.saved_states import saved_states

    settings = load_settings(options.config)
    begin, end = shared.instants(options, time.time_ns(), "30d")
    assert begin is not None
    with output.progress_status("Reading the database"):
        saved = saved_states(settings.store.where, options.site, options.hammer)
        by_day = _days(settings, [key for key, *_ in saved], begin, end) if options.hammer else {}
    found = []
    for key, layout, state in saved:
        own = settings.of_hammer(key)[blank_firing.DETECTOR.name]
        record = part_of(layout, state, blank_firing.DETECTOR.name)
        learned = blank_firing.learned(record, own) if record is not None else None
        found.append((key, learned, by_day.get(key, [])))
    if options.json:
        output.print_json(
            {
                "site": site,
                "hammer": hammer,
                "learned": learned,
                "days": [{**asdict(day), "start": instant.text(day.start)} for day in days],
            }
            for (site, hammer), learned, days in found
        )
        return
    console = output.tables()
    if not found:
        console.print("No matching hammer has data yet.")
        return
    console.print(_levels_table(found))
    for _, _, days in found:
        if days:
            console.print()
            console.print(_days_table(days))


def _days(
    settings: "Settings", keys: Iterable["Key"], begin: "Instant", end: "Instant | None"
) -> "dict[Key, list[Day]]":
    """Return the days of each hammer that begin before `end`."""
    from strikewatch.storage.queries import baselines

    with open_database(settings) as database:
        every = {key: baselines.days(database, key, begin) for key in keys}
    return {key: [day for day in days if end is None or day.start < end] for key, days in every.items()}


def _levels_table(found: list[Any]) -> Table:
    """Return a table with one row for each (key, learned level or None, days)."""
    numbers = ("level", "spread", "falls by", "by speed", "pulse")
    table = plain_table("site", "hammer", "known", *numbers, right=numbers)
    for (site, hammer), learned, _ in found:
        if learned is None or learned["level_bar"] is None:
            table.add_row(site, hammer, "not yet", *["·"] * 5)
            continue
        falls = learned["fall_percent"]
        pulse = learned["pulse_spread_bar"]
        table.add_row(
            site,
            hammer,
            learned["known"],
            f"{learned['level_bar']:.0f} bar",
            f"{learned['spread_percent']:.1f} %",
            "·" if falls is None else f"{falls:.0f} %",
            "·" if learned["reference_rpm"] is None else f"{learned['speed_power']:.2f}",
            "·" if pulse is None else f"{pulse:.0f} bar",
        )
    return table


def _days_table(days: "list[Day]") -> Table:
    from strikewatch.core import instant

    numbers = ("bouts", "firing", "judged", "blank", "level", "pulse")
    table = plain_table("day (UTC)", *numbers, right=numbers)
    for day in days:
        table.add_row(
            instant.text(day.start)[:10],
            str(day.bouts),
            f"{day.firing_s / 60:.1f} min",
            f"{100 * day.judged_share:.0f} %",
            f"{day.blank_s:.1f} s",
            "·" if day.level_bar is None else f"{day.level_bar:.0f} bar",
            "·" if day.pulse_spread_bar is None else f"{day.pulse_spread_bar:.0f} bar",
        )
    return table


@baseline.command(examples=("strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",))
@shared.one_hammer
@shared.by
@shared.reason(required=True)
@shared.config
@shared.as_json()
def relearn(options: Namespace) -> None:
    """Discard the learned level of HAMMER and learn it anew: after new seals, or on another carrier."""
    from strikewatch.storage.queries import baselines

    with open_database(load_database_settings(options.config)) as database:
        site, hammer = baselines.relearn(
            database, options.site, options.hammer, by=options.by, reason=options.reason, now=time.time_ns()
        )
    message = (
        f"{hammer} at {site} relearns its level from its next bout on. Until then blank firing is not judged."
    )
    output.print_result(options, {"site": site, "hammer": hammer, "relearn": True}, message)
