"""Faults that feeds let be inferred only: how many there are of them, and that nobody is named for such a feed.

On a hammer whose feed shows less, a fault may be found more often. So an operator above the others whose faults were
mostly inferred is compared again, like with like: with the others' work on hammers of that kind only. This can take a
name away and never adds one.
"""

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.review.data.counts import tally
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.frames import UNASSIGNED
from strikewatch.review.statistics.verdicts import LEVEL, Case, Settings

if TYPE_CHECKING:
    import pandas as pd

NOT_MONITORED: Final = "Not monitored"


def mark(
    table: "pd.DataFrame", exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds, settings: Settings
) -> None:
    """Give a table of OPERATORS its `less_certain`, and correct its `standing` and `verdict` where that matters.

    Who worked only on hammers whose feed cannot show a fault is said not to be monitored, with the reason.
    """
    begun = faults[faults["count"] == 1]
    unsure = begun[np.array([bool(why) for why in feeds.whys(begun)], bool)]
    counted = unsure.groupby(["site", "operator", "fault"], observed=True).size().to_dict()
    rows = table.to_dict("records")
    n = np.array([counted.get((row["site"], row["operator"], row["fault"]), 0) for row in rows], int)
    table["less_certain"] = n
    worked = {key: set(own) for key, own in exposure.groupby(["site", "operator"], observed=True)["hammer"]}
    for at, row, some in zip(table.index, rows, n.tolist(), strict=True):
        if row["standing"] == "little" and not row["hours"] > 0:
            whys = {
                feeds.silent.get((row["site"], one), {}).get(row["fault"])
                for one in worked.get((row["site"], row["operator"]), ())
            }
            if whys and None not in whys:
                table.loc[at, "verdict"] = f"{NOT_MONITORED}: {'; '.join(sorted(filter(None, whys)))}."
        if row["standing"] != "above" or 2 * some <= row["count"]:
            continue
        case = _among_alike(row, exposure, faults, feeds)
        if not _holds(case, settings):
            table.loc[at, "standing"] = "little"
            table.loc[at, "verdict"] = (
                f"Too little to judge: {some} of {row['count']} are less certain, on a hammer whose feed lets them be "
                "inferred only; there is no sure difference to others on such hammers."
            )


def _among_alike(row: Any, exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds) -> Case:
    """An operator and the others on hammers where the fault is inferred only."""
    import pandas as pd

    here = row["site"]
    alike = feeds.inferred(
        exposure[exposure["site"] == here], faults[faults["site"] == here], str(row["fault"])
    )
    shown = pd.DataFrame({"site": [row["site"]], "fault": [row["fault"]]}, dtype=object)
    table = tally(alike[0], alike[1], ["site", "operator"], shown)
    own, others = table["operator"] == row["operator"], ~table["operator"].isin([row["operator"], UNASSIGNED])
    return Case(
        int(table.loc[own, "count"].sum()),
        float(table.loc[own, "hours"].sum()),
        int(table.loc[others, "count"].sum()),
        float(table.loc[others, "hours"].sum()),
        row["dispersion"],
        row["over"],
    )


def _holds(case: Case, settings: Settings) -> bool:
    if not case.comparable(settings):
        return False
    ratio = case.ratio()
    return ratio.p < 1.0 - LEVEL and ratio.ratio >= settings.least_ratio
