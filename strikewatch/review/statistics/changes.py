"""Compare rates with those of the previous period."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from strikewatch.review.data.schemas import CHANGE, UNASSIGNED
from strikewatch.review.statistics import verdicts
from strikewatch.review.statistics.verdicts import RateComparison, Settings

if TYPE_CHECKING:
    import pandas as pd


def add_changes(
    table: "pd.DataFrame", before: "pd.DataFrame | None", by: Sequence[str], settings: Settings
) -> "pd.DataFrame":
    """Add the columns CHANGE to a table by `by` and fault.

    `before`: such a table of the previous period, with count and hours. The comparisons of a site are corrected
    together. Work with nobody signed on is not compared.
    """
    numbers = [name for name in CHANGE if name not in ("changed", "change_words")]
    table[numbers] = np.nan
    table["changed"] = table["change_words"] = ""
    if before is None:
        return table
    earlier = table[[*by, "fault"]].merge(
        before[[*by, "fault", "count", "hours"]], on=[*by, "fault"], how="left"
    )
    worked = (earlier["hours"] > 0).to_numpy()
    table["before_count"] = earlier["count"].fillna(0).to_numpy(float)
    table["before_hours"] = earlier["hours"].fillna(0.0).to_numpy(float)
    table["before_rate"] = (table["before_count"] / table["before_hours"]).where(worked)
    compared = worked & (table["hours"] > 0).to_numpy()
    if "operator" in by:
        compared &= (table["operator"] != UNASSIGNED).to_numpy()
    for _, own in table[compared].groupby("site"):
        _add_comparisons(table, own, settings)
    return table


def _add_comparisons(table: "pd.DataFrame", own: "pd.DataFrame", settings: Settings) -> None:
    cases = [
        RateComparison(int(count), hours, int(before), before_hours, dispersion, over)
        for count, hours, before, before_hours, dispersion, over in zip(
            *(own[name] for name in ("count", "hours", "before_count", "before_hours", "dispersion", "over")),
            strict=True,
        )
    ]
    ratios, _, corrected, _ = verdicts.compare_all(cases, settings)
    described = [
        verdicts.describe_change(case, ratio, p, settings)
        for case, ratio, p in zip(cases, ratios, corrected.tolist(), strict=True)
    ]
    at = own.index
    table.loc[at, "change"] = [one.ratio for one in ratios]
    table.loc[at, "change_lower"] = [one.lower for one in ratios]
    table.loc[at, "change_upper"] = [one.upper for one in ratios]
    table.loc[at, "change_p"] = [one.p for one in ratios]
    table.loc[at, "change_corrected"] = corrected
    table.loc[at, "changed"] = [kind for kind, _ in described]
    table.loc[at, "change_words"] = [words for _, words in described]
