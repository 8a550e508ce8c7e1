"""Survival curves of lives that may still be going on: the Kaplan-Meier estimator (J. Am. Stat. Assoc. 53:457, 1958).

Limits come from Greenwood's variance on the log-log scale, by scipy.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

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
