"""Estimate whether faults occur independently (Poisson) or in clusters, such as bad days or hard rock.

Counts are compared between the days of each operator, so that differences between operators do not look like
clusters. Given an operator's total, a Poisson process spreads it over days by hours worked, and Pearson's sum of
squares over its degrees of freedom is 1. The moments of that sum are exact (Haldane 1937, Biometrika 29:133); its
tail is approximated by a gamma distribution with these moments.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats

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
