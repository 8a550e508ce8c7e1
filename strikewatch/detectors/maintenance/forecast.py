"""In how many days a number of operating hours will be worked, from the use of past days: an interval, not a date.

With n days of x hours each (mean m, standard deviation s, days taken as independent), the work of the next T days is
predicted with variance s^2 (T + T^2 / n). So R hours may be worked within T days where

    (R - m T)^2 = t^2 s^2 (T + T^2 / n),        t: Student's 97.5 % point with n - 1 degrees of freedom.

The two roots are the limits of a 95 % interval (an inverse prediction, like Fieller's for ratios). Without a second
root there is no upper limit.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.core.instant import SECOND
from strikewatch.detectors.kernels import part

DAYS: Final = 28
"""Past days used: four whole weeks, so that each weekday counts alike."""
LEAST: Final = 5
"""Fewest days for a forecast."""
DAY: Final = 86_400 * SECOND

STUDENT: Final = np.array(
    [
        *(math.nan, 12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.3060, 2.2622),
        *(2.2281, 2.2010, 2.1788, 2.1604, 2.1448, 2.1314, 2.1199, 2.1098, 2.1009, 2.0930),
        *(2.0860, 2.0796, 2.0739, 2.0687, 2.0639, 2.0595, 2.0555, 2.0518),
    ]
)
"""97.5 % points of Student's t by degrees of freedom (NIST/SEMATECH e-Handbook 1.3.6.7.2, to one digit more)."""


@part
def days_left(work: Any, days: int, remaining: float) -> tuple[float, float]:
    """Return (earliest, latest) in days, 95 %.

    Args:
        work: [at least `days`] work of each past day.
        remaining: work to be done, in the same unit.

    NaN if there are too few days; `latest` is infinite if it has no limit.
    """
    if days < LEAST:
        return math.nan, math.nan
    if remaining <= 0.0:
        return 0.0, 0.0
    mean = 0.0
    for k in range(days):
        mean += work[k]
    mean /= days
    square = 0.0
    for k in range(days):
        square += (work[k] - mean) ** 2
    spread = STUDENT[days - 1] ** 2 * square / (days - 1)
    a = mean * mean - spread / days
    b = 2.0 * remaining * mean + spread
    c = remaining * remaining
    root = math.sqrt(max(0.0, b * b - 4.0 * a * c))
    if b + root == 0.0:
        return math.inf, math.inf
    earliest = 2.0 * c / (b + root)
    if a <= 0.0:
        return earliest, math.inf
    return earliest, (b + root) / (2.0 * a)
