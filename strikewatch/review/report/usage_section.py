"""From the account of use to what the report says of it: of each hammer what there was, beside all of the site's."""

from typing import TYPE_CHECKING, Any

from strikewatch.review.charts.drawing import figure
from strikewatch.review.report.content import Account, Used, UsedLine
from strikewatch.review.report.usage_wording import NAMES, less_certain, not_known, plain

if TYPE_CHECKING:
    import pandas as pd


def account(table: "pd.DataFrame") -> Account | None:
    """Of one site's part of a table of USE; None where it is empty."""
    if not len(table):
        return None
    known = table[table["not_known"] == ""]
    sums = known.groupby("measure")[["amount", "over_h"]].sum()
    every = {str(name): _per(amount, over_h) for name, amount, over_h in sums.itertuples()}
    hammers = [_used(str(hammer), own, every) for hammer, own in known.groupby("hammer", sort=True)]
    return Account(hammers, [*not_known(table), *less_certain(table)])


def _used(hammer: str, own: "pd.DataFrame", every: dict[str, str]) -> Used:
    rows = [{str(name): value for name, value in row.items()} for row in own.to_dict("records")]
    lines = [_line(row, every[row["measure"]]) for row in rows if row["amount"] > 0]
    none = [plain(row["measure"]) for row in rows if not row["amount"] > 0]
    return Used(hammer, lines, f"None of: {', '.join(none)}." if none else "")


def _line(row: dict[str, Any], every: str) -> UsedLine:
    hours = row["measure"] == "firing_h"
    rate = "" if hours else _per(row["amount"], row["over_h"])
    return UsedLine(NAMES[row["measure"]], figure(row["amount"]), rate, "" if hours else every)


def _per(amount: float, over_h: float) -> str:
    return figure(amount / over_h) if over_h > 0 else "–"
