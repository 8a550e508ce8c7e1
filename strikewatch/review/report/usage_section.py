"""Build the report's section on usage: the amounts of each hammer, next to the rates of the whole site."""

from typing import TYPE_CHECKING, Any

from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report.content import HammerUsage, UsageLine, UsagePart
from strikewatch.review.report.usage_wording import NAMES, less_certain, not_known, plain

if TYPE_CHECKING:
    import pandas as pd


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
    return UsageLine(NAMES[row["measure"]], format_number(row["amount"]), rate, "" if is_hours else site_rate)


def _rate(amount: float, over_h: float) -> str:
    return format_number(amount / over_h) if over_h > 0 else "–"
