"""Lives of parts: survival curves of tools, and the trend of readings of wear with the hour at which it meets a limit.

Survival curves of lives that may still be going on: the Kaplan-Meier estimator (J. Am. Stat. Assoc. 53:457, 1958), with
limits from Greenwood's variance on the log-log scale, by scipy.

Trends: ordinary least squares with the prediction interval of a new reading (NIST/SEMATECH e-Handbook of Statistical
Methods, 4.1.4.1 and 4.5.2.1). An edge of the interval reaches a limit at a root of a quadratic (inverse prediction,
ibid. 4.5.2.1); if chance explains the slope, that interval is open.
"""

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats


class MedianLife(NamedTuple):
    """Median life in hours with its 95 % limits; None: not reached yet."""

    hours: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """At each time of an end [n]: the share that survives it, with its limits; NaN where undefined."""

    hours: Floats
    share: Floats
    lower: Floats
    upper: Floats

    def median(self) -> MedianLife:
        return MedianLife(*(_first(self.hours, column) for column in (self.share, self.lower, self.upper)))


def kaplan_meier(hours: Sequence[float], ended: Sequence[bool], level: float = 0.95) -> SurvivalCurve:
    """Estimate the survival curve of lives [n], each either ended or still going on when last seen (censored)."""
    is_end = np.asarray(ended, bool)
    times = np.asarray(hours, float)
    if not is_end.any():
        empty = np.empty(0)
        return SurvivalCurve(empty, empty, empty, empty)
    from scipy.stats import CensoredData, ecdf

    estimate = ecdf(CensoredData(uncensored=times[is_end], right=times[~is_end])).sf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # limits are undefined where all or none last
        limits: Any = estimate.confidence_interval(level, method="log-log")
    at_end = np.isin(estimate.quantiles, times[is_end])
    columns = (
        estimate.quantiles,
        estimate.probabilities,
        limits.low.probabilities,
        limits.high.probabilities,
    )
    return SurvivalCurve(*(np.asarray(column, float)[at_end] for column in columns))


def _first(hours: Floats, share: Floats) -> float | None:
    """Return the first time at which at most half survive."""
    below = np.flatnonzero(share <= 0.5 + 1e-12)
    return float(hours[below[0]]) if len(below) else None


LEVEL: Final = 0.95
MIN_READINGS: Final = 3
"""The number of readings that a line with an interval needs."""
MIN_SPAN_H: Final = 1e-3
"""Least operating hours between the first and the last of them: a few seconds (our own choice)."""


class LimitCrossing(NamedTuple):
    """Hours at which the line reaches the limit, and between which 95 % of readings do; None: never.

    A line or an edge that is already at or beyond the limit reaches it at the hour of the last reading.
    """

    line_h: float | None
    first_h: float | None
    last_h: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A line `mean_mm + slope_mm_h * (hour - mean_h)` through `n` readings, the last of them at `last_h`.

    `spread_mm`: standard deviation of the residuals, over n - 2. `hours_square`: sum of squares of the hours about
    their mean.
    """

    n: int
    mean_h: float
    mean_mm: float
    slope_mm_h: float
    spread_mm: float
    hours_square: float
    last_h: float

    def at(self, hour: float) -> tuple[float, float, float]:
        """Return the line at an hour, and the lower and upper limits of a reading there, mm."""
        value = self.mean_mm + self.slope_mm_h * (hour - self.mean_h)
        half_width = math.sqrt(
            self._square() * (1 + 1 / self.n + (hour - self.mean_h) ** 2 / self.hours_square)
        )
        return value, value - half_width, value + half_width

    def crossing(self, limit_mm: float, *, falling: bool) -> LimitCrossing:
        """Return when readings that rise (or fall) to a limit reach it."""
        if falling:
            mirrored = replace(self, mean_mm=-self.mean_mm, slope_mm_h=-self.slope_mm_h)
            return mirrored._crossing_rising(-limit_mm)
        return self._crossing_rising(limit_mm)

    def _crossing_rising(self, limit: float) -> LimitCrossing:
        rest, now = limit - self.mean_mm, self.last_h - self.mean_h
        value, lower, upper = self.at(self.last_h)
        line = now if value >= limit else rest / self.slope_mm_h if self.slope_mm_h > 0 else None
        after = [root for root in self._roots(rest) if root > now]
        # at a root above the line the upper edge reaches the limit, below it the lower edge
        above = [root for root in after if rest >= self.slope_mm_h * root]
        below = [root for root in after if rest <= self.slope_mm_h * root]
        first = now if upper >= limit else min(above, default=None)
        last = now if lower >= limit else min(below, default=None)
        return LimitCrossing(*(None if hour is None else hour + self.mean_h for hour in (line, first, last)))

    def _roots(self, rest: float) -> list[float]:
        """Return the hours from the mean at which an edge of the interval is `rest` above the mean."""
        slope, square, k = self.slope_mm_h, self._square(), 1 + 1 / self.n
        if square == 0.0:
            return [rest / slope] if slope else []
        a = slope**2 - square / self.hours_square
        discriminant = square * (k * a + rest**2 / self.hours_square)
        if discriminant < 0:
            return []
        root_sum = slope * rest + math.copysign(math.sqrt(discriminant), slope * rest)
        return [
            hour / divisor for hour, divisor in ((root_sum, a), (rest**2 - square * k, root_sum)) if divisor
        ]

    def _square(self) -> float:
        """Return the square of the interval's half width without its dependence on the hour, mm²."""
        from scipy.special import stdtrit

        return (float(stdtrit(self.n - 2, (1 + LEVEL) / 2)) * self.spread_mm) ** 2


def fit_trend(hours: Sequence[float], values_mm: Sequence[float]) -> Trend | None:
    """Fit a line to readings [n] at rising operating hours [n]; None if they are too few for an interval."""
    x, y = np.asarray(hours, float), np.asarray(values_mm, float)
    if len(x) < MIN_READINGS or x[-1] - x[0] < MIN_SPAN_H:
        return None
    mean_h, mean_mm = float(x.mean()), float(y.mean())
    hours_off, values_off = x - mean_h, y - mean_mm
    hours_square = float(hours_off @ hours_off)
    slope = float(hours_off @ values_off) / hours_square
    residuals = values_off - slope * hours_off
    spread = math.sqrt(float(residuals @ residuals) / (len(x) - 2))
    return Trend(len(x), mean_h, mean_mm, slope, spread, hours_square, float(x[-1]))
