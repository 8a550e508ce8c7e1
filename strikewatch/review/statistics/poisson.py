"""Faults as Poisson counts: exact limits of rates, comparison of two rates, dispersion, and limits of charts.

`dispersion` is the ratio of the variance of a count to that of a Poisson distribution of the same mean, at least 1.
Above 1, faults occur in clusters, and n of them carry as much information as n / dispersion independent ones
(quasi-likelihood; McCullagh, Nelder, "Generalized Linear Models", 1989, ch. 6). The exact formulas then use that
number, whole or not, and the results are approximate.

The dispersion says whether faults occur independently or in clusters, such as bad days or hard rock. Counts are
compared between the days of each operator, so that differences between operators do not look like clusters. Given an
operator's total, a Poisson process spreads it over days by hours worked, and Pearson's sum of squares over its degrees
of freedom is 1. The moments of that sum are exact (Haldane 1937, Biometrika 29:133); its tail is approximated by a
gamma distribution with these moments.

Funnel plots show prediction limits, not confidence limits: the site's rate is taken as known. They are interpolated
between whole counts so that the curves are smooth (Spiegelhalter 2005, Statistics in Medicine 24:1185).

Control charts are of counts over equal (c chart) or unequal (u chart) exposure (NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.3.1). Its three-sigma limits suit large counts. A week of one operator often has a small count; then chance
alone exceeds the upper limit far more often than 1 in 741 weeks, and the lower limit is below zero. The exact limits of
a Poisson distribution avoid that: the lowest and highest counts with the same tail probabilities as three sigma of a
normal distribution. Both are widened by the root of the dispersion.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def rate_limits(
    count: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: npt.ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """Return the exact limits of rates per hour, of count [n] over hours [n]; NaN without hours.

    Garwood 1936, Biometrika 28:437. The limits contain the true rate in at least `level` of all cases, and in more
    cases for small counts.
    """
    from scipy.special import gammaincinv

    counted = np.asarray(count, float) / dispersion
    worked = np.asarray(hours, float) / dispersion
    tail = (1.0 - level) / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(counted > 0, gammaincinv(np.maximum(counted, 1e-300), tail), 0.0) / worked
        upper = gammaincinv(counted + 1.0, 1.0 - tail) / worked
    none = worked <= 0
    return np.where(none, np.nan, lower), np.where(none, np.nan, upper)


Kind = Literal["exact", "widened", "little", ""]
"""Kind of limits: exact (Garwood); widened for clusters, and so approximate; little: too wide to be useful; empty
without hours."""
MAX_LIMIT_RATIO: Final = 100.0
"""Limits with a larger ratio are not useful; for a count of 0, an upper limit of more than a tenth of it, in faults.
Our own choice: a rate known only within two orders of magnitude is not known."""


def limit_kinds(count: npt.ArrayLike, hours: npt.ArrayLike, dispersion: npt.ArrayLike) -> list[Kind]:
    """Return the kind of the 95 % limits of each count [n] over hours [n]."""
    counted, spread = np.broadcast_arrays(np.asarray(count, float), np.asarray(dispersion, float))
    lower, upper = rate_limits(counted, 1.0, 0.95, spread)
    wide = np.where(counted > 0, upper > MAX_LIMIT_RATIO * lower, upper > MAX_LIMIT_RATIO / 10.0)
    return [
        "" if not h > 0 else "little" if too_wide else "widened" if d > 1.0 else "exact"
        for h, too_wide, d in zip(
            np.asarray(hours, float).tolist(), wide.tolist(), spread.tolist(), strict=True
        )
    ]


def hours_needed(count: npt.ArrayLike, hours: npt.ArrayLike, dispersion: npt.ArrayLike) -> Floats:
    """Return how many further hours at the same rate make the limits useful, per count [n] over hours [n].

    0 where they are useful already, NaN for a count of 0.
    """
    from scipy.optimize import brentq
    from scipy.special import gammaincinv

    least_count = brentq(
        lambda n: gammaincinv(n + 1.0, 0.975) / gammaincinv(n, 0.025) - MAX_LIMIT_RATIO, 0.5, 10.0
    )
    counted = np.asarray(count, float) / dispersion
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(
            counted > 0, np.maximum(np.asarray(hours, float) * (least_count / counted - 1.0), 0.0), np.nan
        )


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Ratio of the first rate to the second, with its limits (0 and infinity where not known), and the p-value: the
    probability of a difference at least this large if the rates were equal."""

    ratio: float
    lower: float
    upper: float
    p: float


def compare_rates(
    count: float,
    hours: float,
    other_count: float,
    other_hours: float,
    level: float = 0.95,
    dispersion: float = 1.0,
) -> RateRatio:
    """Compare two rates exactly: given the total count, the first count has a binomial distribution.

    The two-sided p adds up all splits that are no more probable than the observed one, as R's `poisson.test` and Gu,
    Ng, Tang, Schucany 2008 (Biometrical Journal 50:283) do. For counts that are not whole (dispersion above 1) it is
    twice the smaller tail, which is more conservative. The limits of the ratio are those of Clopper and Pearson.
    Without hours on either side, p is 1.
    """
    if hours <= 0 or other_hours <= 0 or count + other_count == 0:
        return RateRatio(float("nan"), 0.0, float("inf"), 1.0)
    a, b = count / dispersion, other_count / dispersion
    tail = (1.0 - level) / 2.0
    scale = other_hours / hours
    return RateRatio(
        ratio=scale * count / other_count if other_count else float("inf"),
        lower=scale * _odds(a, b + 1.0, tail) if a else 0.0,
        upper=scale * _odds(a + 1.0, b, 1.0 - tail) if b else float("inf"),
        p=_p(count, other_count, hours / (hours + other_hours), dispersion),
    )


def miss_probability(
    count: float, share: float, times: float, level: float, dispersion: float = 1.0
) -> float:
    """Return the probability that an operator with `times` the others' rate is not found to be higher.

    `share`: the operator's share of the hours. `count`: faults of all operators. An operator is found to be higher in
    the upper tail of (1 - level) / 2, without correction for multiple testing.
    """
    from scipy.stats import binom

    whole = int(count / dispersion)
    raised = times * share / (times * share + 1.0 - share)
    least_count = binom.isf((1.0 - level) / 2.0, whole, share)
    return float(binom.cdf(least_count, whole, raised))


def _odds(a: float, b: float, q: float) -> float:
    """Return a quantile of a beta distribution as odds."""
    from scipy.special import betainccinv, betaincinv

    below, above = float(betaincinv(a, b, q)), float(betainccinv(b, a, q))
    return below / above


def _p(count: float, other: float, share: float, dispersion: float) -> float:
    from scipy.special import betainc
    from scipy.stats import binomtest

    if dispersion == 1.0:
        return float(binomtest(round(count), round(count + other), share).pvalue)
    a, b = count / dispersion, other / dispersion
    at_least = float(betainc(a, b + 1.0, share)) if a else 1.0
    at_most = float(betainc(b, a + 1.0, 1.0 - share)) if b else 1.0
    return min(1.0, 2.0 * min(at_least, at_most))


MIN_EXPECTED: Final = 1.0
"""Days are merged until this many faults are expected; otherwise days with tiny expectations dominate the sum."""


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Ratio of the variance of counts to that of a Poisson distribution, at least 1, and its p-value."""

    value: float
    p: float


UNKNOWN: Final = Dispersion(1.0, float("nan"))
"""No operator had faults and more than one day."""


def between_days(people: Iterable[tuple[Floats, Floats]]) -> Dispersion:
    """Estimate the dispersion from each operator's counts [days] over hours [days], by time.

    Any estimate above 1 is used, even if the test is not significant: a missed cluster would be blamed on a person. The
    estimate is the same for all operators, and is too small for those with far more faults a day than most.
    """
    from scipy.special import gammaincc

    squares = variance = 0.0
    freedom = 0
    for count, hours in people:
        counts, shares = _merge_days(count, hours)
        days, total = len(counts), counts.sum()
        if days < 2:
            continue
        expected = total * shares
        squares += float(((counts - expected) ** 2 / expected).sum())
        freedom += days - 1
        variance += float(2 * (days - 1) + ((1 / shares).sum() - days**2 - 2 * days + 2) / total)
    if not freedom:
        return UNKNOWN
    p = float(gammaincc(freedom**2 / variance, squares * freedom / variance)) if variance > 0 else 1.0
    return Dispersion(max(squares / freedom, 1.0), p)


def _merge_days(count: Floats, hours: Floats) -> tuple[Floats, Floats]:
    """Merge days with few expected faults; return the counts and each one's share of the hours."""
    worked = hours > 0
    count, hours = count[worked], hours[worked]
    if not count.sum():
        return count[:0], hours[:0]
    cumulative = np.cumsum(hours) / hours.sum() * count.sum()
    ends, last = [], 0.0
    for day, expected in enumerate(cumulative):
        if expected - last >= MIN_EXPECTED and cumulative[-1] - expected >= MIN_EXPECTED:
            ends.append(day + 1)
            last = expected
    starts = [0, *ends]
    return np.add.reduceat(count, starts), np.add.reduceat(hours, starts) / hours.sum()


def prediction_limits(
    rate: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: npt.ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """Return the rates per hour [n] between which `level` of all predictions lie, for a site's rate and hours [n].

    NaN without hours or rate. Where almost no fault is expected, the upper limit is the rate itself.
    """
    worked = np.asarray(hours, float)
    expected = np.asarray(rate, float) * worked
    tail = (1.0 - level) / 2.0
    widening = np.sqrt(np.asarray(dispersion, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = expected + widening * (_quantile(tail, expected) - expected)
        upper = expected + widening * (_quantile(1.0 - tail, expected) - expected)
        lower, upper = np.maximum(lower, 0.0) / worked, np.maximum(upper, expected) / worked
    return np.where(worked > 0, lower, np.nan), np.where(worked > 0, upper, np.nan)


def _quantile(p: float, mean: Floats) -> Floats:
    """Return a quantile of a Poisson distribution, interpolated between whole counts; at least 0."""
    from scipy.stats import poisson

    count = np.asarray(poisson.ppf(p, mean), float)
    cumulative = poisson.cdf(count, mean)
    step = poisson.pmf(count, mean)
    return np.where(
        mean > 0, np.maximum(count - (cumulative - p) / step, 0.0), np.where(mean == 0, 0.0, np.nan)
    )


ChartLimits = Literal["exact", "three_sigma"]
CHART_LEVEL: Final = 0.9973002039367398
"""Probability within three sigma of a normal distribution."""
ROUNDING: Final = 1e-9
"""A count at a limit is within it, also after both were divided by the same hours."""


@dataclass(frozen=True, slots=True)
class ControlLimits:
    """Centre line and limits [n] per unit of exposure (NaN without exposure), and which points are beyond them."""

    centre: float
    lower: Floats
    upper: Floats
    signal: npt.NDArray[np.bool_]


def control_limits(
    count: Floats,
    exposure: Floats,
    limits: ChartLimits = "exact",
    dispersion: float = 1.0,
    baseline: npt.NDArray[np.bool_] | None = None,
) -> ControlLimits:
    """Return the limits of a u chart of counts [n] over exposure [n]; with an exposure of 1, of a c chart.

    `baseline` [n]: the points that the centre line is taken from; None: all.
    """
    worked = exposure > 0
    base = worked if baseline is None else worked & baseline
    total = float(exposure[base].sum())
    centre = float(count[base].sum()) / total if total else float("nan")
    if limits == "exact":
        lower, upper = _exact_chart_limits(centre, np.where(worked, exposure, np.nan), dispersion)
    else:
        three = 3.0 * np.sqrt(centre * dispersion / np.where(worked, exposure, np.nan))
        lower, upper = np.maximum(centre - three, 0.0), centre + three
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = count / exposure
    return ControlLimits(
        centre,
        lower,
        upper,
        worked & ((rate > upper + ROUNDING * centre) | (rate < lower - ROUNDING * centre)),
    )


def _exact_chart_limits(centre: float, exposure: Floats, dispersion: float) -> tuple[Floats, Floats]:
    """Return the rates [n] of the lowest and highest counts within, widened by the root of the dispersion."""
    from scipy.stats import poisson

    mean = centre * exposure
    tail = (1.0 - CHART_LEVEL) / 2.0
    widening = dispersion**0.5
    lower, upper = (mean + widening * (poisson.ppf(q, mean) - mean) for q in (tail, 1.0 - tail))
    return np.maximum(lower, 0.0) / exposure, upper / exposure
