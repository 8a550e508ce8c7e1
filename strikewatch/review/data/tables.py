"""Count faults and hours in the tables of a review, within the limits of the hammers' feeds.

Feeds and profiles limit which faults can be found on a hammer at all, and which can only be inferred.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from strikewatch.core.batch import Key
from strikewatch.review.data.schemas import ALWAYS, MISUSE, OPERATOR_FAULTS, OVER, UNASSIGNED
from strikewatch.review.statistics.poisson import Dispersion, between_days

if TYPE_CHECKING:
    import pandas as pd

    Frames = tuple[pd.DataFrame, pd.DataFrame]


Reasons = Mapping[Key, Sequence[tuple[str, str]]]
"""Hammer → (fault, reason) pairs."""
POSITION_KNOWN: Final = "pose_known"
"""Evidence of a fault in one spot: whether the tool's position was known. It overrides the limits of the feed."""
POSITION_UNKNOWN: Final = "the tool's position is not known, so the spot is inferred from pauses"


@dataclass(frozen=True, slots=True)
class Feeds:
    """Hammer → fault → reason. A hammer that is not listed has no known limits."""

    silent: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that the feed or profile cannot show."""
    uncertain: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that can only be inferred, and so are less certain."""

    @classmethod
    def of(cls, silent: Reasons, uncertain: Reasons) -> Self:
        """Build from (fault, reason) pairs by hammer."""
        return cls(*({key: dict(pairs) for key, pairs in reasons.items()} for reasons in (silent, uncertain)))

    def exposure_showing(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str
    ) -> "pd.DataFrame":
        """Return the rows of EXPOSURE of hammers on which a fault can be found, or was found nevertheless."""
        not_monitored = [key for key, reasons in self.silent.items() if fault in reasons]
        if not_monitored:
            found = faults.loc[faults["fault"] == fault, ["site", "hammer"]]
            not_monitored = sorted(set(not_monitored) - set(found.itertuples(index=False, name=None)))
        return exposure[~_among(exposure, not_monitored)] if not_monitored else exposure

    def inferred(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str
    ) -> "tuple[pd.DataFrame, pd.DataFrame]":
        """Return the rows of EXPOSURE and FAULTS of hammers on which a fault is only inferred: by the feed's limits, or
        because most of what was found there is uncertain."""
        faults_here = faults[(faults["fault"] == fault) & (faults["count"] == 1)]
        uncertain_by_hammer: dict[Key, list[bool]] = {}
        for site, hammer, reason in zip(
            faults_here["site"], faults_here["hammer"], self.uncertainties(faults_here), strict=True
        ):
            uncertain_by_hammer.setdefault((site, hammer), []).append(bool(reason))
        keys = {key for key, flags in uncertain_by_hammer.items() if 2 * sum(flags) > len(flags)}
        keys |= {key for key, reasons in self.uncertain.items() if fault in reasons}
        return exposure[_among(exposure, keys)], faults[_among(faults, keys)]

    def uncertainty(self, key: Key, fault: str, evidence: Mapping[str, Any]) -> str:
        """Return why a fault that was found is less certain than others; empty if it is not."""
        known = self.uncertain.get(key, {}).get(fault, "")
        if POSITION_KNOWN in evidence:
            return "" if evidence[POSITION_KNOWN] else known or POSITION_UNKNOWN
        return known

    def uncertainties(self, faults: "pd.DataFrame") -> list[str]:
        """Return `uncertainty` of each row of FAULTS."""
        columns = (faults[name] for name in ("site", "hammer", "fault", "evidence"))
        return [
            self.uncertainty((site, hammer), fault, evidence or {})
            for site, hammer, fault, evidence in zip(*columns, strict=True)
        ]


NO_LIMITS: Final = Feeds()


def _among(frame: "pd.DataFrame", keys: Collection[Key]) -> "pd.Series[bool]":
    import pandas as pd

    pairs = zip(frame["site"], frame["hammer"], strict=True)
    return pd.Series([pair in keys for pair in pairs], index=frame.index, dtype=bool)


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
    exposure = exposure.reset_index(drop=True)
    names_by_site = _names_by_site(faults_by_site)
    pairs = zip(faults["site"], faults["fault"], strict=True)
    counted = faults[np.array([fault in names_by_site.get(site, ()) for site, fault in pairs], bool)]

    # Each combination has a number, in their order; NaN where a value is missing.
    combinations = pd.concat([exposure[by], counted[by]], ignore_index=True)
    number = combinations.groupby(by, observed=True).ngroup().fillna(-1).to_numpy(np.intp)
    known, first = np.unique(number, return_index=True)
    first = first[known >= 0]
    n, of_work, of_faults = len(first), number[: len(exposure)], number[len(exposure) :]
    keys = combinations.iloc[first].infer_objects()
    names_of = [names_by_site.get(site, []) for site in keys["site"]]
    of_row = np.repeat(np.arange(n), [len(names) for names in names_of])
    fault_of_row = [fault for names in names_of for fault in names]

    code = {fault: k for k, fault in enumerate(dict.fromkeys(fault_of_row))}
    codes = np.array([code[fault] for fault in fault_of_row], np.intp)
    work = _sums(exposure, _AMOUNTS, of_work, n)[of_row]
    for fault, k in code.items():
        showing = feeds.exposure_showing(exposure, faults, fault)
        if showing is not exposure:
            work[codes == k] = _sums(showing, _AMOUNTS, of_work[showing.index], n)[of_row[codes == k]]
    cells = of_faults * len(code) + np.array([code.get(fault, 0) for fault in counted["fault"]], np.intp)
    cells[of_faults < 0] = -1
    found = _sums(counted, ["count", "seconds"], cells, n * len(code))[of_row * len(code) + codes]

    operating_s, firing_s, judged_s = work.T
    over = [OVER.get(fault, "firing") for fault in fault_of_row]
    seconds_over = {"operating": operating_s, "judged": judged_s, "firing": firing_s}
    is_over = [np.array(over, object) == kind for kind in seconds_over]
    hours = np.select(is_over, list(seconds_over.values()), 0.0) / 3600.0
    table = keys.iloc[of_row].reset_index(drop=True)
    return pd.DataFrame(
        {
            **{name: table[name].astype(object) if name == "site" else table[name] for name in by},
            "fault": pd.Series(fault_of_row, dtype=object),
            "operating_s": operating_s,
            "firing_s": firing_s,
            "judged_s": judged_s,
            "count": found[:, 0].astype(int),
            "seconds": found[:, 1],
            "over": pd.Series(over, dtype=object),
            "hours": hours,
            "judged_share": judged_s / np.where(firing_s > 0, firing_s, np.nan),
            "position": [_POSITION.get(fault, np.nan) for fault in fault_of_row],
        }
    )


_AMOUNTS: Final = ["operating_s", "firing_s", "judged_s"]
_POSITION: Final = {fault: position for position, fault in enumerate(OPERATOR_FAULTS)}


def _names_by_site(faults_by_site: "pd.DataFrame") -> dict[Any, list[Any]]:
    """Return the faults of each site, in the order of OPERATOR_FAULTS."""
    names: dict[Any, list[Any]] = {}
    for site, fault in zip(faults_by_site["site"], faults_by_site["fault"], strict=True):
        names.setdefault(site, []).append(fault)
    return {
        site: sorted(own, key=lambda name: _POSITION.get(name, len(_POSITION))) for site, own in names.items()
    }


def _sums(frame: "pd.DataFrame", names: list[str], groups: Any, n: int) -> Any:
    """Sum columns by group, numbered 0 to n - 1, or -1 for rows that do not count: [n, names]."""
    sums = frame[names].astype(float).groupby(groups).sum()
    group = sums.index.to_numpy()
    found = np.zeros((n, len(names)))
    found[group[group >= 0]] = sums.to_numpy()[group >= 0]
    return found


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
