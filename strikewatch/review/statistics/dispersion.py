"""Whether faults come singly, as a Poisson has it, or in clusters: bad days, bad rock, a bad mood.

Looked for between the days of each operator, so that operators who differ are not mistaken for clusters: given an
operator's total, a Poisson spreads it over days by hours worked, and Pearson's sum of squares over its degrees of
freedom is 1. Moments of that sum are exact (Haldane 1937, Biometrika 29:133); its tail is that of the gamma with those
moments.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats

EXPECTED: Final = 1.0
"""Days are taken together until so many faults are to be expected, or squares over next to nothing rule the sum."""


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance of counts to that of a Poisson, at least 1, and how probable so much would be of a Poisson."""

    value: float
    p: float


UNKNOWN: Final = Dispersion(1.0, float("nan"))
"""Nobody had faults and more than one day to have them on."""


def between_days(people: Iterable[tuple[Floats, Floats]]) -> Dispersion:
    """From each operator's counts [days] over hours [days], in order of time.

    The estimate is used as it comes out, wherever it is above 1, rather than only where the test is sure: to overlook
    clusters is to blame for them. It is one figure for all: where whole days are bad, it is too small for those with
    far more faults a day than most.
    """
    from scipy.special import gammaincc

    squares = variance = 0.0
    freedom = 0
    for count, hours in people:
        seen, share = _together(count, hours)
        days, total = len(seen), seen.sum()
        if days < 2:
            continue
        expected = total * share
        squares += float(((seen - expected) ** 2 / expected).sum())
        freedom += days - 1
        variance += float(2 * (days - 1) + ((1 / share).sum() - days**2 - 2 * days + 2) / total)
    if not freedom:
        return UNKNOWN
    p = float(gammaincc(freedom**2 / variance, squares * freedom / variance)) if variance > 0 else 1.0
    return Dispersion(max(squares / freedom, 1.0), p)


def _together(count: Floats, hours: Floats) -> tuple[Floats, Floats]:
    """Counts of days taken together, and each one's share of the hours."""
    worked = hours > 0
    count, hours = count[worked], hours[worked]
    if not count.sum():
        return count[:0], hours[:0]
    upto = np.cumsum(hours) / hours.sum() * count.sum()
    ends, last = [], 0.0
    for day, expected in enumerate(upto):
        if expected - last >= EXPECTED and upto[-1] - expected >= EXPECTED:
            ends.append(day + 1)
            last = expected
    starts = [0, *ends]
    return np.add.reduceat(count, starts), np.add.reduceat(hours, starts) / hours.sum()
