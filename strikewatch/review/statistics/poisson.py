"""Exact limits of a rate of faults, and the exact comparison of two rates.

`dispersion` is the ratio of the variance of a count to that of a Poisson distribution of the same mean, at least 1.
Above 1, faults occur in clusters, and n of them carry as much information as n / dispersion independent ones
(quasi-likelihood; McCullagh, Nelder, "Generalized Linear Models", 1989, ch. 6). The exact formulas then use that
number, whole or not, and the results are approximate.
"""

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
