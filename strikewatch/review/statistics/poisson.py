"""Counts of faults over hours: exact limits of a rate, and an exact comparison of two.

`dispersion` is the variance of a count to that of a Poisson of the same mean, at least 1. Where it is above 1, faults
come in clusters, and n of them say as much as n / dispersion that come singly (quasi-likelihood; McCullagh, Nelder,
"Generalized Linear Models", 1989, ch. 6): the exact formulas then go on with that number, whole or not. What they give
is then no longer exact, but approximate.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def limits(
    count: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: npt.ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """Exact limits of rates, per hour: count [n] over hours [n]; NaN where there are no hours.

    Garwood 1936, Biometrika 28:437. They hold the true rate in at least `level` of all cases, in more where few are
    counted.
    """
    from scipy.special import gammaincinv

    seen = np.asarray(count, float) / dispersion
    worked = np.asarray(hours, float) / dispersion
    tail = (1.0 - level) / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(seen > 0, gammaincinv(np.maximum(seen, 1e-300), tail), 0.0) / worked
        upper = gammaincinv(seen + 1.0, 1.0 - tail) / worked
    none = worked <= 0
    return np.where(none, np.nan, lower), np.where(none, np.nan, upper)


Kind = Literal["exact", "widened", "little", ""]
"""What limits are: exact (Garwood), widened for clusters and so approximate, too wide to say anything; empty where
there were no hours."""
WIDEST: Final = 100.0
"""Limits whose ratio is more say nothing; of a count of 0 those whose upper one is more than a tenth of that in faults.
Our own choice: a rate known to two orders of magnitude is not known."""


def kinds(count: npt.ArrayLike, hours: npt.ArrayLike, dispersion: npt.ArrayLike) -> list[Kind]:
    """What the limits of each count [n] over hours [n] are, at 95 %."""
    seen, spread = np.broadcast_arrays(np.asarray(count, float), np.asarray(dispersion, float))
    lower, upper = limits(seen, 1.0, 0.95, spread)
    wide = np.where(seen > 0, upper > WIDEST * lower, upper > WIDEST / 10.0)
    return [
        "" if not h > 0 else "little" if too_wide else "widened" if d > 1.0 else "exact"
        for h, too_wide, d in zip(
            np.asarray(hours, float).tolist(), wide.tolist(), spread.tolist(), strict=True
        )
    ]


def lacking(count: npt.ArrayLike, hours: npt.ArrayLike, dispersion: npt.ArrayLike) -> Floats:
    """How many more hours at the same rate [n] bring limits that say something, per count [n] over hours [n].

    0 where they do so already, NaN where nothing was counted.
    """
    from scipy.optimize import brentq
    from scipy.special import gammaincinv

    least = brentq(lambda n: gammaincinv(n + 1.0, 0.975) / gammaincinv(n, 0.025) - WIDEST, 0.5, 10.0)
    seen = np.asarray(count, float) / dispersion
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(seen > 0, np.maximum(np.asarray(hours, float) * (least / seen - 1.0), 0.0), np.nan)


@dataclass(frozen=True, slots=True)
class Ratio:
    """The first of two rates to the second, with its limits (0 and infinity where they cannot be told), and how
    probable a difference at least as odd would be if the rates were the same."""

    ratio: float
    lower: float
    upper: float
    p: float


def two_rates(
    count: float,
    hours: float,
    other_count: float,
    other_hours: float,
    level: float = 0.95,
    dispersion: float = 1.0,
) -> Ratio:
    """Exact conditional comparison of two rates: of all that was counted, how much falls on the first is binomial.

    Two-sided by adding up all splits that are no more probable than the one seen, as R's `poisson.test` and Gu, Ng,
    Tang, Schucany 2008 (Biometrical Journal 50:283) do. Numbers that are not whole (dispersion above 1) have no such
    list of splits: there it is twice the smaller tail, which is the more careful. Limits of the ratio are Clopper and
    Pearson's, from tails alike. With no hours on either side nothing can be told, and p is 1.
    """
    if hours <= 0 or other_hours <= 0 or count + other_count == 0:
        return Ratio(float("nan"), 0.0, float("inf"), 1.0)
    a, b = count / dispersion, other_count / dispersion
    tail = (1.0 - level) / 2.0
    scale = other_hours / hours
    return Ratio(
        ratio=scale * count / other_count if other_count else float("inf"),
        lower=scale * _odds(a, b + 1.0, tail) if a else 0.0,
        upper=scale * _odds(a + 1.0, b, 1.0 - tail) if b else float("inf"),
        p=_p(count, other_count, hours / (hours + other_hours), dispersion),
    )


def overlooked(count: float, share: float, times: float, level: float, dispersion: float = 1.0) -> float:
    """How probable it is that someone whose rate is so many times the others' would not be found higher.

    `share` is that one's share of the hours, `count` of faults by all together. Found is what is in the upper tail
    of (1 - level) / 2; nothing is corrected for.
    """
    from scipy.stats import binom

    whole = int(count / dispersion)
    raised = times * share / (times * share + 1.0 - share)
    least = binom.isf((1.0 - level) / 2.0, whole, share)
    return float(binom.cdf(least, whole, raised))


def _odds(a: float, b: float, q: float) -> float:
    """A beta's quantile as odds."""
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
