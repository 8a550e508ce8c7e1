"""`strikewatch use`: what each hammer went through in a period."""

import time
from argparse import Namespace
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.core import instant
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import Refused
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report.tables import to_json
from strikewatch.review.report.usage_wording import NAMES, less_certain, not_known
from strikewatch.service.inputs.usage import asked
from strikewatch.service.time_parsing import told
from strikewatch.settings.tree import load

if TYPE_CHECKING:
    import pandas as pd

LABEL: Final = 34
CELL: Final = 18
"""Letters across: a measure's name, and an amount with its rate."""


def show(options: Namespace) -> int:
    """The account of each site's hammers, or of one."""
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    table, begin, end = asked(options, load(options.config), time.time_ns(), notes)
    table = _narrowed(table, options.site, options.hammer)
    if options.json:
        print(to_json({"use": table}, {"begin": instant.text(begin), "end": instant.text(end)}))
    elif options.csv:
        print(table.to_csv(index=False), end="")
    else:
        _show(Console(highlight=False), table, f"{told(begin)} to {told(end)} UTC")
    return 0


def _narrowed(table: "pd.DataFrame", site: str | None, hammer: str | None) -> "pd.DataFrame":
    if site is not None:
        table = table[table["site"] == site]
    if hammer is not None and hammer not in set(table["hammer"]):
        known = ", ".join(sorted(set(table["hammer"]))) or "none"
        raise Refused(f"{hammer} did not work in this time; there are: {known}")
    return (table if hammer is None else table[table["hammer"] == hammer]).reset_index(drop=True)


def _show(console: Console, table: "pd.DataFrame", period: str) -> None:
    console.print(Text.assemble(("What the hammers went through", "bold"), f"  {period}"))
    if not len(table):
        console.print("No work is on record in this time: no carrier was heard working.")
        return
    for site, own in table.groupby("site", sort=True):
        console.print()
        console.print(Text(str(site), "bold"))
        hammers = sorted(own["hammer"].unique())
        across = max(1, (console.width - LABEL) // CELL)
        for first in range(0, len(hammers), across):
            console.print(_side_by_side(own, hammers[first : first + across]))
        for words in (*not_known(own), *less_certain(own)):
            console.print(Text(words, "dim"))
    console.print()
    console.print(Text("In all, and in brackets per firing hour; –: not known.", "dim"))
    console.print(Text(CAUTION, "dim"))


def _side_by_side(table: "pd.DataFrame", hammers: Sequence[str]) -> Table:
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    shown.add_column("")
    for hammer in hammers:
        shown.add_column(Text(hammer), justify="right", no_wrap=True)
    for measure, own in table.groupby("measure", sort=False):
        cells = {row["hammer"]: _cell(row) for row in _rows(own)}
        shown.add_row(NAMES[str(measure)], *(cells.get(hammer, "") for hammer in hammers))
    return shown


def _cell(row: dict[str, Any]) -> str:
    rate = row["per_firing_h"]
    alone = row["measure"] == "firing_h" or rate != rate
    return (
        format_number(row["amount"]) if alone else f"{format_number(row['amount'])} ({format_number(rate)})"
    )


def _rows(table: "pd.DataFrame") -> Iterator[dict[str, Any]]:
    yield from ({str(name): value for name, value in row.items()} for row in table.to_dict("records"))
