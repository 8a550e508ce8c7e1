"""How long things last where some still do: Kaplan and Meier 1958 (J. Am. Stat. Assoc. 53:457), with limits from
Greenwood's variance on the log-log scale, by scipy."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats


class Median(NamedTuple):
    """The time by which half have ended, with its 95 % limits; None: not reached yet."""

    hours: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Lasting:
    """At each time that something ended [n]: the share that lasts beyond, and its limits, NaN where undefined."""

    hours: Floats
    share: Floats
    lower: Floats
    upper: Floats

    def median(self) -> Median:
        return Median(*(_first(self.hours, each) for each in (self.share, self.lower, self.upper)))


def lasting(hours: Sequence[float], ended: Sequence[bool], level: float = 0.95) -> Lasting:
    """Of times [n], each either ended or cut short by the end of the record."""
    done = np.asarray(ended, bool)
    times = np.asarray(hours, float)
    if not done.any():
        none = np.empty(0)
        return Lasting(none, none, none, none)
    from scipy.stats import CensoredData, ecdf

    found = ecdf(CensoredData(uncensored=times[done], right=times[~done])).sf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # limits are undefined where all or none last
        limits: Any = found.confidence_interval(level, method="log-log")
    own = np.isin(found.quantiles, times[done])
    columns = (found.quantiles, found.probabilities, limits.low.probabilities, limits.high.probabilities)
    return Lasting(*(np.asarray(column, float)[own] for column in columns))


def _first(hours: Floats, share: Floats) -> float | None:
    """The first time at which no more than half last."""
    below = np.flatnonzero(share <= 0.5 + 1e-12)
    return float(hours[below[0]]) if len(below) else None
