"""Rows of the tables of rates as lines of the report, and the report's tables of them."""

from collections.abc import Mapping, Sequence
from math import nan
from typing import TYPE_CHECKING, Any, Final

from strikewatch.review.coaching import Coaching
from strikewatch.review.report.content import Comparison, RateLine, RateTable
from strikewatch.review.report.pictures import comparison_charts
from strikewatch.review.report.wording import further_hours

if TYPE_CHECKING:
    import pandas as pd

PER: Final = {"firing": "firing", "judged": "judged firing", "operating": "operating"}


def rate_line(row: Mapping[str, Any], who: str, name: str) -> RateLine:
    """Return a row of OPERATORS, SITES or GROUPS as a line; `name`: of the fault."""
    return RateLine(
        who=who,
        fault=str(row["fault"]),
        name=name,
        count=int(row["count"]),
        seconds=float(row["seconds"]),
        hours=float(row["hours"]),
        rate=float(row["rate"]),
        lower=float(row["lower"]),
        upper=float(row["upper"]),
        per=PER[row["over"]],
        standing=row.get("standing", ""),
        verdict=row.get("verdict", ""),
        change=row.get("change_words", ""),
        limits=row["limits"],
        more=further_hours(float(row["more_h"]), row["over"]) if row["limits"] == "little" else "",
        less_certain=int(row.get("less_certain", 0)),
        ratio=float(row.get("ratio", nan)),
    )


def by_operator(compared: "pd.DataFrame", people: Sequence[str], coaching: Coaching) -> RateTable:
    """Return the rates of faults on which somebody can be judged, and that at least two worked, from OPERATORS."""
    faults = []
    for fault, of_fault in compared.groupby("fault", sort=False):
        judged = of_fault["standing"].isin(["above", "within", "below"])
        if judged.any() and of_fault["count"].any() and (of_fault["hours"] > 0).sum() >= 2:
            faults.append(str(fault))
    return _table(compared, "operator", people, faults, coaching) if faults else RateTable()


def by_hammer(table: "pd.DataFrame", faults: Sequence[str], coaching: Coaching) -> RateTable:
    """Return the rates of all hammers from GROUPS by hammer."""
    return _table(table, "hammer", sorted(set(table["hammer"]), key=natural), faults, coaching)


def _table(
    table: "pd.DataFrame", by: str, names: Sequence[str], faults: Sequence[str], coaching: Coaching
) -> RateTable:
    lines = {
        (str(row[by]), str(row["fault"])): rate_line(row, str(row[by]), coaching.name(str(row["fault"])))
        for row in records(table)
    }
    return RateTable(
        faults,
        [coaching.name(fault) for fault in faults],
        [(name, [lines.get((name, fault)) for fault in faults]) for name in names],
    )


def comparison(of_fault: "pd.DataFrame", anchor: str, coaching: Coaching, only: str | None) -> Comparison:
    """Return a fault compared over operators, from its rows of OPERATORS; with `only`, nobody else is named."""
    ordered = sorted(records(of_fault), key=lambda row: natural(row["operator"]))
    fault, per = str(ordered[0]["fault"]), PER[ordered[0]["over"]]
    worked = [row for row in ordered if row["hours"] > 0]
    name = coaching.name(fault)
    return Comparison(fault, name, per, comparison_charts(f"{anchor}-{fault}", name, per, worked, only))


def records(table: "pd.DataFrame") -> list[dict[str, Any]]:
    """Return the rows of a table, by column name."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def natural(name: str) -> tuple[list[tuple[bool, int, str]], str]:
    """Return a sort key that orders ids naturally: op-9 before op-10."""
    parts: list[tuple[bool, int, str]] = []
    text = ""
    for letter in [*name, ""]:
        if text and (not letter or letter.isdecimal() != text[-1].isdecimal()):
            parts.append((text[0].isdecimal(), int(text) if text[0].isdecimal() else 0, text))
            text = ""
        text += letter
    return parts, name
