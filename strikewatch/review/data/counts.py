"""Counts and hours by whatever is asked, from the frames EXPOSURE and FAULTS."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from strikewatch.review.data.feeds import NOTHING_KNOWN, Feeds
from strikewatch.review.data.frames import UNASSIGNED
from strikewatch.review.data.schemas import ALWAYS, MISUSE, OVER
from strikewatch.review.statistics.dispersion import Dispersion, between_days

if TYPE_CHECKING:
    import pandas as pd

    Frames = tuple[pd.DataFrame, pd.DataFrame]

Spread = Mapping[Any, Dispersion]
"""(site, fault) → how clustered its faults are."""


def tally(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    by: Sequence[str],
    shown: "pd.DataFrame",
    feeds: Feeds = NOTHING_KNOWN,
) -> "pd.DataFrame":
    """One row per combination of `by` (with "site" in it) that was worked or has a fault, and per fault shown there:
    over, count, seconds, hours and judged_share.

    `shown`: site and fault. Work on a hammer whose feed cannot show a fault does not count as hours without it.
    """
    import pandas as pd

    by = list(by)
    worked = _worked(exposure, by)
    seen = faults.merge(shown, on=["site", "fault"])
    seen = seen.groupby([*by, "fault"], observed=True)[["count", "seconds"]].sum().reset_index()
    keys = pd.concat([worked[by], seen[by]]).drop_duplicates()
    table = (
        keys.merge(shown, on="site")
        .merge(_each(exposure, faults, by, shown, feeds, worked), on=[*by, "fault"], how="left")
        .merge(seen, on=[*by, "fault"], how="left")
    )
    table = table.fillna(dict.fromkeys(["operating_s", "firing_s", "judged_s", "count", "seconds"], 0.0))
    table["over"] = table["fault"].map(lambda fault: OVER.get(fault, "firing")).astype(object)
    kinds = [table["over"] == "operating", table["over"] == "judged"]
    table["hours"] = np.select(kinds, [table["operating_s"], table["judged_s"]], table["firing_s"]) / 3600.0
    firing = table["firing_s"].where(table["firing_s"] > 0)
    table["judged_share"] = table["judged_s"] / firing
    table["count"] = table["count"].astype(int)
    order = {fault: place for place, fault in enumerate((*ALWAYS, *MISUSE))}
    table["place"] = table["fault"].map(order)
    return table.sort_values([*by, "place"], ignore_index=True)


def _worked(exposure: "pd.DataFrame", by: list[str]) -> "pd.DataFrame":
    return exposure.groupby(by, observed=True)[["operating_s", "firing_s", "judged_s"]].sum().reset_index()


def _each(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    by: list[str],
    shown: "pd.DataFrame",
    feeds: Feeds,
    worked: "pd.DataFrame",
) -> "pd.DataFrame":
    """Per fault, the work in which it could be found; `worked` is all work."""
    import pandas as pd

    parts: list[pd.DataFrame] = []
    for fault in shown["fault"].drop_duplicates():
        own = feeds.showing(exposure, faults, str(fault))
        parts.append((worked if own is exposure else _worked(own, by)).assign(fault=fault))
    return pd.concat(parts) if parts else worked.assign(fault=pd.Series(dtype=object))


def shown(periods: "Iterable[Frames]") -> "pd.DataFrame":
    """Which faults each site has rows for: site and fault."""
    import pandas as pd

    always: list[pd.DataFrame] = []
    seen: list[pd.DataFrame] = []
    for exposure, faults in periods:
        places = pd.concat([exposure["site"], faults["site"]]).drop_duplicates().astype(object)
        always.append(places.to_frame().merge(pd.DataFrame({"fault": ALWAYS}, dtype=object), how="cross"))
        seen.append(faults.loc[faults["fault"].isin(MISUSE), ["site", "fault"]].astype(object))
    return pd.concat([*always, *seen]).drop_duplicates(ignore_index=True)


def clusters(periods: "Iterable[Frames]", feeds: Feeds = NOTHING_KNOWN) -> Spread:
    """How clustered each site's faults are, from each period's and operator's days (UTC)."""
    import pandas as pd

    periods = list(periods)
    which = shown(periods)
    days = []
    for number, (exposure, faults) in enumerate(periods):
        worked = exposure.assign(day=exposure["start"].dt.floor("D"), period=number)
        seen = faults.assign(day=faults["onset"].dt.floor("D"), period=number)
        days.append(tally(worked, seen, ["site", "operator", "period", "day"], which, feeds))
    together = pd.concat(days)
    together = together[together["operator"] != UNASSIGNED]
    return {
        key: between_days(
            (one["count"].to_numpy(float), one["hours"].to_numpy(float))
            for _, one in own.groupby(["operator", "period"])
        )
        for key, own in together.groupby(["site", "fault"])
    }


def with_week(frame: "pd.DataFrame", zone: str, at: str) -> "pd.DataFrame":
    """With the day on which each row's week begins, a Monday, as YYYY-MM-DD, in a time zone."""
    import pandas as pd

    day = frame[at].dt.tz_convert(zone).dt.tz_localize(None).dt.normalize()
    monday = day - pd.to_timedelta(day.dt.day_of_week, unit="D")
    return frame.assign(week=monday.dt.strftime("%Y-%m-%d").astype(object))
