"""Count faults and hours by any columns of the frames EXPOSURE and FAULTS."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from strikewatch.review.data.feeds import NO_LIMITS, Feeds
from strikewatch.review.data.schemas import ALWAYS, MISUSE, OVER, UNASSIGNED
from strikewatch.review.statistics.dispersion import Dispersion, between_days

if TYPE_CHECKING:
    import pandas as pd

    Frames = tuple[pd.DataFrame, pd.DataFrame]

Dispersions = Mapping[Any, Dispersion]
"""(site, fault) → the dispersion of its counts."""


def count_faults(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    by: Sequence[str],
    faults_by_site: "pd.DataFrame",
    feeds: Feeds = NO_LIMITS,
) -> "pd.DataFrame":
    """Return a row per fault and combination of `by` in which there was work or a fault.

    Columns: `by`, which must include "site", then fault, over, count, seconds, hours and judged_share.
    `faults_by_site` has a row per site and fault to include. Work on a hammer whose feed cannot show a fault does not
    count as hours without that fault.
    """
    import pandas as pd

    by = list(by)
    work = _sum_work(exposure, by)
    counted = faults.merge(faults_by_site, on=["site", "fault"])
    counted = counted.groupby([*by, "fault"], observed=True)[["count", "seconds"]].sum().reset_index()
    keys = pd.concat([work[by], counted[by]]).drop_duplicates()
    table = (
        keys.merge(faults_by_site, on="site")
        .merge(
            _exposure_by_fault(exposure, faults, by, faults_by_site, feeds, work),
            on=[*by, "fault"],
            how="left",
        )
        .merge(counted, on=[*by, "fault"], how="left")
    )
    table = table.fillna(dict.fromkeys(["operating_s", "firing_s", "judged_s", "count", "seconds"], 0.0))
    table["over"] = table["fault"].map(lambda fault: OVER.get(fault, "firing")).astype(object)
    kinds = [table["over"] == "operating", table["over"] == "judged"]
    table["hours"] = np.select(kinds, [table["operating_s"], table["judged_s"]], table["firing_s"]) / 3600.0
    firing = table["firing_s"].where(table["firing_s"] > 0)
    table["judged_share"] = table["judged_s"] / firing
    table["count"] = table["count"].astype(int)
    order = {fault: position for position, fault in enumerate((*ALWAYS, *MISUSE))}
    table["position"] = table["fault"].map(order)
    return table.sort_values([*by, "position"], ignore_index=True)


def _sum_work(exposure: "pd.DataFrame", by: list[str]) -> "pd.DataFrame":
    return exposure.groupby(by, observed=True)[["operating_s", "firing_s", "judged_s"]].sum().reset_index()


def _exposure_by_fault(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    by: list[str],
    faults_by_site: "pd.DataFrame",
    feeds: Feeds,
    work: "pd.DataFrame",
) -> "pd.DataFrame":
    """Return, per fault, the work in which it could be found; `worked` is all work."""
    import pandas as pd

    parts: list[pd.DataFrame] = []
    for fault in faults_by_site["fault"].drop_duplicates():
        work_showing = feeds.exposure_showing(exposure, faults, str(fault))
        parts.append((work if work_showing is exposure else _sum_work(work_showing, by)).assign(fault=fault))
    return pd.concat(parts) if parts else work.assign(fault=pd.Series(dtype=object))


def monitored_faults(periods: "Iterable[Frames]") -> "pd.DataFrame":
    """Return the faults that each site has rows for, as columns site and fault."""
    import pandas as pd

    always: list[pd.DataFrame] = []
    occurred: list[pd.DataFrame] = []
    for exposure, faults in periods:
        sites = pd.concat([exposure["site"], faults["site"]]).drop_duplicates().astype(object)
        always.append(sites.to_frame().merge(pd.DataFrame({"fault": ALWAYS}, dtype=object), how="cross"))
        occurred.append(faults.loc[faults["fault"].isin(MISUSE), ["site", "fault"]].astype(object))
    return pd.concat([*always, *occurred]).drop_duplicates(ignore_index=True)


def dispersion_by_fault(periods: "Iterable[Frames]", feeds: Feeds = NO_LIMITS) -> Dispersions:
    """Return the dispersion of each site's faults, between the days (UTC) of each operator and period."""
    import pandas as pd

    periods = list(periods)
    faults_by_site = monitored_faults(periods)
    days = []
    for number, (exposure, faults) in enumerate(periods):
        work = exposure.assign(day=exposure["start"].dt.floor("D"), period=number)
        counted = faults.assign(day=faults["onset"].dt.floor("D"), period=number)
        days.append(count_faults(work, counted, ["site", "operator", "period", "day"], faults_by_site, feeds))
    per_day = pd.concat(days)
    per_day = per_day[per_day["operator"] != UNASSIGNED]
    return {
        key: between_days(
            (days_of_operator["count"].to_numpy(float), days_of_operator["hours"].to_numpy(float))
            for _, days_of_operator in rows.groupby(["operator", "period"])
        )
        for key, rows in per_day.groupby(["site", "fault"])
    }


def with_week(frame: "pd.DataFrame", zone: str, at: str) -> "pd.DataFrame":
    """Add a column `week`: the Monday on which the row's week begins in a time zone, as YYYY-MM-DD."""
    import pandas as pd

    day = frame[at].dt.tz_convert(zone).dt.tz_localize(None).dt.normalize()
    monday = day - pd.to_timedelta(day.dt.day_of_week, unit="D")
    return frame.assign(week=monday.dt.strftime("%Y-%m-%d").astype(object))
