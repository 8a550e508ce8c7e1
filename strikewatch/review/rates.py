"""Compute rates of faults: tidy tables from the frames EXPOSURE and FAULTS; `data/schemas` documents their columns.

    operators(exposure, faults, before=(exposure, faults), settings=Settings())  → OPERATORS
    sites(exposure, faults, before=…, settings=…)                               → SITES
    groups(exposure, faults, by=["site", "hammer"])                             → by, fault, then GROUPS
    weeks(exposure, faults, zone="UTC", coached=…)                              → WEEKS

`before` is the same two frames of the previous period; the dispersion is then estimated from both. `feeds` says on
which hammers a fault cannot be found or is only inferred.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from strikewatch.review.data.schemas import GROUPS, OPERATORS, SITES, UNASSIGNED, WEEKS
from strikewatch.review.data.tables import (
    NO_LIMITS,
    Dispersions,
    Feeds,
    count_faults,
    dispersion_by_fault,
    monitored_faults,
    with_week,
)
from strikewatch.review.progress import first_coached
from strikewatch.review.statistics import poisson, shrinkage, verdicts
from strikewatch.review.statistics.comparisons import add_changes, mark_less_certain
from strikewatch.review.statistics.poisson import UNKNOWN
from strikewatch.review.statistics.verdicts import LEVEL, Bools, RateComparison, Settings

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.review.data.tables import Frames

DEFAULT: Final = Settings()
MIN_BASELINE_WEEKS: Final = 3
"""The number of weeks before coaching from which control limits can be taken."""


def operators(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    before: "Frames | None" = None,
    settings: Settings = DEFAULT,
    feeds: Feeds = NO_LIMITS,
) -> "pd.DataFrame":
    """Return a table of OPERATORS."""
    periods = [(exposure, faults), *([before] if before else [])]
    faults_of, spread, by = (
        monitored_faults(periods),
        dispersion_by_fault(periods, feeds),
        ["site", "operator"],
    )
    table = _add_rates(count_faults(exposure, faults, by, faults_of, feeds), spread)
    table["nobody"] = table["operator"] == UNASSIGNED
    table = table.sort_values(["site", "nobody"], kind="stable", ignore_index=True)
    numbers = ["site_rate", "expected", "funnel_lower", "funnel_upper", "ratio"]
    numbers += ["shrunk", "shrunk_lower", "shrunk_upper", "p", "corrected", "settle_h"]
    table[numbers] = np.nan
    table["standing"] = table["verdict"] = ""
    for _, rows in table[~table["nobody"]].groupby("site"):
        for _, rows_of_fault in rows.groupby("fault"):
            _add_estimates(table, rows_of_fault)
        _add_verdicts(table, rows, settings)
    mark_less_certain(table, exposure, faults, feeds, settings)
    earlier = count_faults(*before, by, faults_of, feeds) if before else None
    return add_changes(table, earlier, by, settings)[list(OPERATORS)]


def sites(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    before: "Frames | None" = None,
    settings: Settings = DEFAULT,
    feeds: Feeds = NO_LIMITS,
) -> "pd.DataFrame":
    """Return a table of SITES."""
    periods = [(exposure, faults), *([before] if before else [])]
    faults_of, spread, by = monitored_faults(periods), dispersion_by_fault(periods, feeds), ["site"]
    table = _add_rates(count_faults(exposure, faults, by, faults_of, feeds), spread)
    signed = exposure[exposure["operator"] != UNASSIGNED].groupby("site", observed=True)["operator"].nunique()
    table["operators"] = table["site"].map(signed).fillna(0).astype(int)
    dispersions = [spread.get(key, UNKNOWN) for key in zip(table["site"], table["fault"], strict=True)]
    table["dispersion_p"] = np.array([dispersion.p for dispersion in dispersions], float)
    table["dispersion_words"] = [verdicts.describe_dispersion(dispersion) for dispersion in dispersions]
    earlier = count_faults(*before, by, faults_of, feeds) if before else None
    return add_changes(table, earlier, by, settings)[list(SITES)]


def groups(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    by: Sequence[str],
    zone: str = "UTC",
    feeds: Feeds = NO_LIMITS,
) -> "pd.DataFrame":
    """Return a table of GROUPS by columns of both frames, or "week" in a time zone; `by` must include "site"."""
    return _grouped(exposure, faults, by, zone, feeds)[[*by, "fault", *GROUPS]]


def weeks(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    zone: str = "UTC",
    limits: poisson.ChartLimits = "exact",
    feeds: Feeds = NO_LIMITS,
    coached: "pd.DataFrame | None" = None,
) -> "pd.DataFrame":
    """Return a table of WEEKS, which begin on Monday in a time zone; `coached`: a table of COACHED.

    Where an operator was coached on a fault, the limits are those of the weeks before, if there are enough: so a
    lasting change leaves them.
    """
    table = _grouped(exposure, faults, ["site", "operator", "week"], zone, feeds)
    table = table[(table["operator"] != UNASSIGNED) & (table["hours"] > 0)]
    table = table.sort_values(["site", "operator", "fault", "week"], ignore_index=True)
    table[["centre", "chart_lower", "chart_upper"]] = np.nan
    table["signal"] = table["baseline"] = False
    first_talks = {} if coached is None else first_coached(with_week(coached, zone, "time"))
    for key, rows in table.groupby(["site", "operator", "fault"]):
        count, hours = rows["count"].to_numpy(float), rows["hours"].to_numpy(float)
        before = (rows["week"] < first_talks.get(key, "9999")).to_numpy(bool)
        baseline = before if before.sum() >= MIN_BASELINE_WEEKS else np.ones(len(rows), bool)
        dispersion = float(rows["dispersion"].iloc[0])
        limits_by_week = poisson.control_limits(count, hours, limits, dispersion, baseline)
        table.loc[rows.index, "baseline"] = baseline
        table.loc[rows.index, "centre"] = limits_by_week.centre
        table.loc[rows.index, "chart_lower"] = limits_by_week.lower
        table.loc[rows.index, "chart_upper"] = limits_by_week.upper
        table.loc[rows.index, "signal"] = limits_by_week.signal
    return table[list(WEEKS)]


def _grouped(
    exposure: "pd.DataFrame", faults: "pd.DataFrame", by: Sequence[str], zone: str, feeds: Feeds
) -> "pd.DataFrame":
    periods = [(exposure, faults)]
    faults_of, spread = monitored_faults(periods), dispersion_by_fault(periods, feeds)
    if "week" in by:
        exposure, faults = with_week(exposure, zone, "start"), with_week(faults, zone, "onset")
    return _add_rates(count_faults(exposure, faults, by, faults_of, feeds), spread)


def _add_rates(table: "pd.DataFrame", spread: Dispersions) -> "pd.DataFrame":
    """Add dispersion, rates and their limits."""
    keys = zip(table["site"], table["fault"], strict=True)
    table["dispersion"] = np.array([spread.get(key, UNKNOWN).value for key in keys], float)
    count, hours = table["count"].to_numpy(float), table["hours"].to_numpy(float)
    table["rate"] = np.divide(count, hours, out=np.full(len(table), np.nan), where=hours > 0)
    dispersion = table["dispersion"].to_numpy()
    table["lower"], table["upper"] = poisson.rate_limits(count, hours, LEVEL, dispersion)
    table["limits"] = np.array(poisson.limit_kinds(count, hours, dispersion), object)
    table["more_h"] = poisson.hours_needed(count, hours, dispersion)
    return table


def _add_estimates(table: "pd.DataFrame", rows: "pd.DataFrame") -> None:
    """Add the columns that the operators of a site are compared with, for one fault."""
    count, hours = rows["count"].to_numpy(float), rows["hours"].to_numpy(float)
    worked = hours > 0
    if not worked.any():
        return
    at, dispersion = rows.index[worked], float(rows["dispersion"].iloc[0])
    rate = float(count[worked].sum() / hours[worked].sum())
    lower, upper = poisson.prediction_limits(rate, hours[worked], LEVEL, dispersion)
    shrunk = shrinkage.shrink(count[worked], hours[worked], LEVEL, dispersion)
    table.loc[rows.index, "site_rate"] = rate
    table.loc[rows.index, "expected"] = rate * hours
    table.loc[at, "funnel_lower"], table.loc[at, "funnel_upper"] = lower, upper
    table.loc[at, "shrunk"] = shrunk.rate
    table.loc[at, "shrunk_lower"], table.loc[at, "shrunk_upper"] = shrunk.lower, shrunk.upper


def _add_verdicts(table: "pd.DataFrame", rows: "pd.DataFrame", settings: Settings) -> None:
    """Compare each operator of a site with the others, corrected together.

    An operator far above would make everybody else look good in comparison. So operators found above are excluded from
    the others, and all are compared again. If nobody is above, there is no second comparison.
    """
    _compare(table, rows, np.ones(len(rows), bool), settings)
    usual = (table.loc[rows.index, "standing"] != "above").to_numpy()
    if not usual.all():
        _compare(table, rows, usual, settings)


def _compare(table: "pd.DataFrame", rows: "pd.DataFrame", usual: Bools, settings: Settings) -> None:
    """Compare each operator of `own` with the other operators among `usual`."""
    counted = rows[["count", "hours"]].mul(usual, axis=0)
    others = counted.groupby(rows["fault"]).transform("sum") - counted
    columns = (
        rows["count"],
        rows["hours"],
        others["count"],
        others["hours"],
        rows["dispersion"],
        rows["over"],
    )
    cases = [
        RateComparison(int(n), h, int(m), max(g, 0.0), d, over)
        for n, h, m, g, d, over in zip(*columns, strict=True)
    ]
    ratios, comparable, corrected, comparisons = verdicts.compare_all(cases, settings)
    p = np.where(comparable, [ratio.p for ratio in ratios], np.nan)
    judged = [
        verdicts.judge(case, ratio, p_corrected, comparisons, settings, outliers_excluded=not usual.all())
        for case, ratio, p_corrected in zip(cases, ratios, corrected.tolist(), strict=True)
    ]
    table.loc[rows.index, "ratio"] = [ratio.ratio for ratio in ratios]
    table.loc[rows.index, "p"] = p
    table.loc[rows.index, "corrected"] = corrected
    table.loc[rows.index, "standing"] = [verdict.standing for verdict in judged]
    table.loc[rows.index, "verdict"] = [verdict.words for verdict in judged]
    table.loc[rows.index, "settle_h"] = [verdict.settle_h for verdict in judged]
