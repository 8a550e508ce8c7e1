"""Build the report's section on usage: the amounts of each hammer, next to the rates of the whole site."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report.content import HammerUsage, UsageLine, UsagePart
from strikewatch.review.report.wording import join_names
from strikewatch.review.usage import MEASURES

if TYPE_CHECKING:
    import pandas as pd


def not_known(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers of a table of USAGE with the same unknown measures."""
    return _sentences(table, "not_known", "Not known for")


def less_certain(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers with the same measures that are only inferred."""
    return _sentences(table[table["amount"] > 0], "less_certain", "Less certain for")


def _sentences(table: "pd.DataFrame", column: str, head: str) -> Iterator[str]:
    by_reasons: dict[tuple[tuple[str, tuple[str, ...]], ...], list[str]] = {}
    for hammer, own in table[table[column] != ""].groupby("hammer", sort=True):
        reasons = tuple(
            (str(reason), tuple(map(str, rows["measure"])))
            for reason, rows in own.groupby(column, sort=False)
        )
        by_reasons.setdefault(reasons, []).append(str(hammer))
    for reasons, hammers in by_reasons.items():
        listed = "; ".join(f"{join_names([plain(name) for name in names])} ({why})" for why, names in reasons)
        yield f"{head} {join_names(hammers)}: {listed}."


def plain(measure: str) -> str:
    """Return a measure's label for use within a sentence."""
    label = MEASURES[measure].label
    return label[:1].lower() + label[1:]


def usage_part(table: "pd.DataFrame") -> UsagePart | None:
    """Return the section from one site's rows of a table of USAGE; None if there are none."""
    if not len(table):
        return None
    known = table[table["not_known"] == ""]
    sums = known.groupby("measure")[["amount", "over_h"]].sum()
    site_rates = {str(name): _rate(amount, over_h) for name, amount, over_h in sums.itertuples()}
    hammers = [
        _hammer_usage(str(hammer), own, site_rates) for hammer, own in known.groupby("hammer", sort=True)
    ]
    return UsagePart(hammers, [*not_known(table), *less_certain(table)])


def _hammer_usage(hammer: str, own: "pd.DataFrame", site_rates: dict[str, str]) -> HammerUsage:
    rows = [{str(name): value for name, value in row.items()} for row in own.to_dict("records")]
    lines = [_line(row, site_rates[row["measure"]]) for row in rows if row["amount"] > 0]
    none = [plain(row["measure"]) for row in rows if not row["amount"] > 0]
    return HammerUsage(hammer, lines, f"None of: {', '.join(none)}." if none else "")


def _line(row: dict[str, Any], site_rate: str) -> UsageLine:
    is_hours = row["measure"] == "firing_h"
    rate = "" if is_hours else _rate(row["amount"], row["over_h"])
    return UsageLine(
        MEASURES[row["measure"]].title, format_number(row["amount"]), rate, "" if is_hours else site_rate
    )


def _rate(amount: float, over_h: float) -> str:
    return format_number(amount / over_h) if over_h > 0 else "–"
