"""The line through readings of wear, how sure it is of the next one, and when it meets a limit.

Ordinary least squares with the prediction interval of a new reading (NIST/SEMATECH e-Handbook of Statistical Methods,
4.1.4.1 and 4.5.2.1). Where an edge of the interval meets a limit is a root of a quadratic (inverse prediction, same,
4.5.2.1); a slope that chance explains leaves that interval open.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

LEVEL: Final = 0.95
FEWEST: Final = 3
"""Readings that a line with an interval needs."""
APART_H: Final = 1e-3
"""So far apart the first and the last of them, at least: some seconds of operation (ours)."""


class Meeting(NamedTuple):
    """Hours at which the line meets the limit, and within which 95 % of readings do; None: it never does.

    What is at or beyond the limit already meets it at the hour of the last reading.
    """

    line_h: float | None
    first_h: float | None
    last_h: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A line `mean_mm + slope_mm_h * (hour - mean_h)` through `n` readings, the last of them at `last_h`.

    `spread_mm`: standard deviation of what is left of them, over n - 2; `hours_square`: sum of squares of the hours
    about their mean.
    """

    n: int
    mean_h: float
    mean_mm: float
    slope_mm_h: float
    spread_mm: float
    hours_square: float
    last_h: float

    def at(self, hour: float) -> tuple[float, float, float]:
        """The line at an hour, and the lower and upper limits of a reading there, mm."""
        value = self.mean_mm + self.slope_mm_h * (hour - self.mean_h)
        off = math.sqrt(self._square() * (1 + 1 / self.n + (hour - self.mean_h) ** 2 / self.hours_square))
        return value, value - off, value + off

    def meets(self, limit_mm: float, *, falling: bool) -> Meeting:
        """When readings that rise, or fall, to a limit reach it."""
        if falling:
            return self._turned()._meets_rising(-limit_mm)
        return self._meets_rising(limit_mm)

    def _turned(self) -> "Trend":
        return Trend(
            self.n,
            self.mean_h,
            -self.mean_mm,
            -self.slope_mm_h,
            self.spread_mm,
            self.hours_square,
            self.last_h,
        )

    def _meets_rising(self, limit: float) -> Meeting:
        rest, now = limit - self.mean_mm, self.last_h - self.mean_h
        value, lower, upper = self.at(self.last_h)
        on_line = now if value >= limit else rest / self.slope_mm_h if self.slope_mm_h > 0 else None
        after = [root for root in self._roots(rest) if root > now]
        # at a root above the line it is the upper edge that meets the limit, below it the lower one
        above = [root for root in after if rest >= self.slope_mm_h * root]
        below = [root for root in after if rest <= self.slope_mm_h * root]
        first = now if upper >= limit else min(above, default=None)
        last = now if lower >= limit else min(below, default=None)
        return Meeting(*(None if one is None else one + self.mean_h for one in (on_line, first, last)))

    def _roots(self, rest: float) -> list[float]:
        """Hours from the mean at which an edge of the interval is `rest` above the mean."""
        slope, square, k = self.slope_mm_h, self._square(), 1 + 1 / self.n
        if square == 0.0:
            return [rest / slope] if slope else []
        a = slope**2 - square / self.hours_square
        inner = square * (k * a + rest**2 / self.hours_square)
        if inner < 0:
            return []
        q = slope * rest + math.copysign(math.sqrt(inner), slope * rest)
        return [one / by for one, by in ((q, a), (rest**2 - square * k, q)) if by]

    def _square(self) -> float:
        """The square of half the interval's width, but for where in the hours one looks, mm²."""
        from scipy.special import stdtrit

        return (float(stdtrit(self.n - 2, (1 + LEVEL) / 2)) * self.spread_mm) ** 2


def fit(hours: Sequence[float], values_mm: Sequence[float]) -> Trend | None:
    """The line through readings [n] at operating hours [n], rising; None where they are too few for an interval."""
    x, y = np.asarray(hours, float), np.asarray(values_mm, float)
    if len(x) < FEWEST or x[-1] - x[0] < APART_H:
        return None
    mean_h, mean_mm = float(x.mean()), float(y.mean())
    along, up = x - mean_h, y - mean_mm
    square = float(along @ along)
    slope = float(along @ up) / square
    left = up - slope * along
    spread = math.sqrt(float(left @ left) / (len(x) - 2))
    return Trend(len(x), mean_h, mean_mm, slope, spread, square, float(x[-1]))
