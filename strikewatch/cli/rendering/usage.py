"""What hammers went through, side by side."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.disclaimer import CAUTION
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report.usage import less_certain, not_known
from strikewatch.review.usage import MEASURES

if TYPE_CHECKING:
    import pandas as pd


LABEL: Final = 34


CELL: Final = 18
"""Letters across: a measure's name, and an amount with its rate."""


def show(console: Console, table: "pd.DataFrame", period: str) -> None:
    """Print the table, site by site."""
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
        shown.add_row(MEASURES[str(measure)].title, *(cells.get(hammer, "") for hammer in hammers))
    return shown


def _cell(row: dict[str, Any]) -> str:
    rate = row["per_firing_h"]
    alone = row["measure"] == "firing_h" or rate != rate
    return (
        format_number(row["amount"]) if alone else f"{format_number(row['amount'])} ({format_number(rate)})"
    )


def _rows(table: "pd.DataFrame") -> Iterator[dict[str, Any]]:
    yield from ({str(name): value for name, value in row.items()} for row in table.to_dict("records"))
