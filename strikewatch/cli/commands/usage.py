"""`strikewatch usage`: the use and misuse of each hammer in a period."""

import time
from argparse import Namespace
from collections.abc import Hashable, Mapping, Sequence
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.rendering.common import minute_and_zone, plain_table
from strikewatch.cli.settings_file import load_settings

if TYPE_CHECKING:
    import pandas as pd

LABEL_WIDTH: Final = 34
"""Width of a measure's name, in columns."""
CELL_WIDTH: Final = 18
"""Width of an amount with its rate, in columns."""


@click.command(
    cls=shared.Command,
    examples=("strikewatch usage --from 7d", "strikewatch usage replay_data/pad-handover --csv"),
)
@shared.shifts(required=False)
@shared.config
@shared.period("7d, of recorded shifts their begin", "now, of recorded shifts their end")
@shared.filters("site", "hammer")
@shared.as_json("one object")
@click.option("--csv", is_flag=True, help="Print the table as CSV.")
@shared.with_options
def command(options: Namespace) -> int:
    """Show the use of each hammer: hours, blows, hot, blank and misused seconds, missed maintenance.

    Over the database, or over recorded shifts: in all, and per firing hour so that hammers compare.
    """
    from strikewatch.core import instant
    from strikewatch.review.report.files import to_json
    from strikewatch.service.inputs.hammers import usage_from_options

    if options.json and options.csv:
        raise click.UsageError("give --json or --csv, not both")
    # replayed shifts show a progress bar of their own
    with nullcontext() if options.paths else output.progress_status("Reading the database"):
        table, begin, end = usage_from_options(
            options, load_settings(options.config), time.time_ns(), output.notes()
        )
    table = _narrowed(table, options.site, options.hammer)
    if options.json:
        print(to_json({"use": table}, {"begin": instant.text(begin), "end": instant.text(end)}))
    elif options.csv:
        print(table.to_csv(index=False), end="")
    else:
        _show(output.tables(), table, f"{minute_and_zone(begin)} to {minute_and_zone(end)}")
    return 0


def _narrowed(table: "pd.DataFrame", site: str | None, hammer: str | None) -> "pd.DataFrame":
    from strikewatch.errors import Refused

    if site is not None:
        table = table[table["site"] == site]
    if hammer is not None and hammer not in set(table["hammer"]):
        known = ", ".join(sorted(set(table["hammer"]))) or "none"
        raise Refused(f"{hammer} did not work in this time; hammers that did: {known}")
    return (table if hammer is None else table[table["hammer"] == hammer]).reset_index(drop=True)


def _show(console: Console, table: "pd.DataFrame", period: str) -> None:
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.report.hammers import less_certain, not_known

    console.print(Text.assemble(("Hammer usage", "bold"), f"  {period}"))
    if not len(table):
        console.print("No work is recorded in this time: no carrier was seen working.")
        return
    for site, own in table.groupby("site", sort=True):
        console.print()
        console.print(Text(str(site), "bold"))
        hammers = sorted(own["hammer"].unique())
        columns = max(1, (console.width - LABEL_WIDTH) // CELL_WIDTH)
        for first in range(0, len(hammers), columns):
            console.print(_side_by_side(own, hammers[first : first + columns]))
        for line in (*not_known(own), *less_certain(own)):
            console.print(Text(line, "dim"))
    console.print()
    console.print(Text("In all, and in brackets per firing hour; –: not known.", "dim"))
    console.print(Text(CAUTION, "dim"))


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
