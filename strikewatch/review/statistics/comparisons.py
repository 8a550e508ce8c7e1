"""Complete tables of rates: compare them with the previous period, and withdraw verdicts that rest on inferred faults.

A fault may be found more often on a hammer with a poorer feed. So an operator who is above the others and whose faults
were mostly inferred is compared again, only with the others' work on hammers of the same kind. This can remove a name
but never adds one.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.review.data.counts import count_faults
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.schemas import CHANGE, UNASSIGNED
from strikewatch.review.statistics import verdicts
from strikewatch.review.statistics.verdicts import LEVEL, RateComparison, Settings

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
    for _, rows in table[compared].groupby("site"):
        _add_comparisons(table, rows, settings)
    return table


def _add_comparisons(table: "pd.DataFrame", rows: "pd.DataFrame", settings: Settings) -> None:
    cases = [
        RateComparison(int(count), hours, int(before), before_hours, dispersion, over)
        for count, hours, before, before_hours, dispersion, over in zip(
            *(
                rows[name]
                for name in ("count", "hours", "before_count", "before_hours", "dispersion", "over")
            ),
            strict=True,
        )
    ]
    ratios, _, corrected, _ = verdicts.compare_all(cases, settings)
    described = [
        verdicts.describe_change(case, ratio, p, settings)
        for case, ratio, p in zip(cases, ratios, corrected.tolist(), strict=True)
    ]
    at = rows.index
    table.loc[at, "change"] = [ratio.ratio for ratio in ratios]
    table.loc[at, "change_lower"] = [ratio.lower for ratio in ratios]
    table.loc[at, "change_upper"] = [ratio.upper for ratio in ratios]
    table.loc[at, "change_p"] = [ratio.p for ratio in ratios]
    table.loc[at, "change_corrected"] = corrected
    table.loc[at, "changed"] = [kind for kind, _ in described]
    table.loc[at, "change_words"] = [words for _, words in described]


NOT_MONITORED: Final = "Not monitored"


def mark_less_certain(
    table: "pd.DataFrame", exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds, settings: Settings
) -> None:
    """Add `less_certain` to a table of OPERATORS, and correct `standing` and `verdict` where inferred faults decide.

    An operator who worked only on hammers whose feed cannot show a fault is reported as not monitored, with the reason.
    """
    onsets = faults[faults["count"] == 1]
    uncertain = onsets[np.array([bool(why) for why in feeds.uncertainties(onsets)], bool)]
    counted = uncertain.groupby(["site", "operator", "fault"], observed=True).size().to_dict()
    rows = table.to_dict("records")
    less_certain = np.array(
        [counted.get((row["site"], row["operator"], row["fault"]), 0) for row in rows], int
    )
    table["less_certain"] = less_certain
    hammers_of = {
        key: set(hammers) for key, hammers in exposure.groupby(["site", "operator"], observed=True)["hammer"]
    }
    for at, row, inferred in zip(table.index, rows, less_certain.tolist(), strict=True):
        if row["standing"] == "little" and not row["hours"] > 0:
            reasons = {
                feeds.silent.get((row["site"], hammer), {}).get(row["fault"])
                for hammer in hammers_of.get((row["site"], row["operator"]), ())
            }
            if reasons and None not in reasons:
                table.loc[at, "verdict"] = f"{NOT_MONITORED}: {'; '.join(sorted(filter(None, reasons)))}."
        if row["standing"] != "above" or 2 * inferred <= row["count"]:
            continue
        case = _compare_on_same_kind(row, exposure, faults, feeds)
        if not _clearly_above(case, settings):
            table.loc[at, "standing"] = "little"
            table.loc[at, "verdict"] = (
                f"Not enough data: {inferred} of {row['count']} are less certain, because the hammer's feed only lets "
                "them be inferred; there is no clear difference from others on such hammers."
            )


def _compare_on_same_kind(
    row: Any, exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds
) -> RateComparison:
    """Return the comparison with the others on hammers where the fault is only inferred."""
    import pandas as pd

    site = row["site"]
    exposure, faults = feeds.inferred(
        exposure[exposure["site"] == site], faults[faults["site"] == site], str(row["fault"])
    )
    fault_of_site = pd.DataFrame({"site": [site], "fault": [row["fault"]]}, dtype=object)
    table = count_faults(exposure, faults, ["site", "operator"], fault_of_site)
    operator, others = (
        table["operator"] == row["operator"],
        ~table["operator"].isin([row["operator"], UNASSIGNED]),
    )
    return RateComparison(
        int(table.loc[operator, "count"].sum()),
        float(table.loc[operator, "hours"].sum()),
        int(table.loc[others, "count"].sum()),
        float(table.loc[others, "hours"].sum()),
        row["dispersion"],
        row["over"],
    )


def _clearly_above(case: RateComparison, settings: Settings) -> bool:
    if not case.comparable(settings):
        return False
    ratio = case.ratio()
    return ratio.p < 1.0 - LEVEL and ratio.ratio >= settings.least_ratio
