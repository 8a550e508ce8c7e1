"""Count the faults that are only inferred, and make sure that no operator is named because of such a feed.

A fault may be found more often on a hammer with a poorer feed. So an operator who is above the others and whose faults
were mostly inferred is compared again, only with the others' work on hammers of the same kind. This can remove a name
but never adds one.
"""

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.review.data.counts import count_faults
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.statistics.verdicts import LEVEL, RateComparison, Settings

if TYPE_CHECKING:
    import pandas as pd

NOT_MONITORED: Final = "Not monitored"


def mark_less_certain(
    table: "pd.DataFrame", exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds, settings: Settings
) -> None:
    """Add `less_certain` to a table of OPERATORS, and correct `standing` and `verdict` where inferred faults decide.

    An operator who worked only on hammers whose feed cannot show a fault is reported as not monitored, with the reason.
    """
    begun = faults[faults["count"] == 1]
    unsure = begun[np.array([bool(why) for why in feeds.uncertainties(begun)], bool)]
    counted = unsure.groupby(["site", "operator", "fault"], observed=True).size().to_dict()
    rows = table.to_dict("records")
    n = np.array([counted.get((row["site"], row["operator"], row["fault"]), 0) for row in rows], int)
    table["less_certain"] = n
    worked = {key: set(own) for key, own in exposure.groupby(["site", "operator"], observed=True)["hammer"]}
    for at, row, inferred in zip(table.index, rows, n.tolist(), strict=True):
        if row["standing"] == "little" and not row["hours"] > 0:
            reasons = {
                feeds.silent.get((row["site"], one), {}).get(row["fault"])
                for one in worked.get((row["site"], row["operator"]), ())
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

    here = row["site"]
    alike = feeds.inferred(
        exposure[exposure["site"] == here], faults[faults["site"] == here], str(row["fault"])
    )
    shown = pd.DataFrame({"site": [row["site"]], "fault": [row["fault"]]}, dtype=object)
    table = count_faults(alike[0], alike[1], ["site", "operator"], shown)
    own, others = table["operator"] == row["operator"], ~table["operator"].isin([row["operator"], UNASSIGNED])
    return RateComparison(
        int(table.loc[own, "count"].sum()),
        float(table.loc[own, "hours"].sum()),
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
