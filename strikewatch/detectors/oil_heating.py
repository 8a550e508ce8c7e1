"""oil_heating: at this rate the oil will be too hot within minutes. An early warning, not a fault of the operator.

A line is fitted by least squares to the oil temperature of the last 5 min, taken as means over 10 s on a fixed grid of
event time, so that memory is constant and the result does not depend on how the stream is cut. The warning is raised
at the end of a grid interval with firing if the line reaches the limit within `ahead_s` and the whole 95 % prediction
band rises up to there. It clears when that needs half as long again, or the band no longer rises.

Prediction band of a simple linear regression: y(x) ± t(n-2, 0.975) s sqrt(1 + 1/n + (x - mean)² / Sxx)
(NIST/SEMATECH e-Handbook of Statistical Methods, 4.5.1.2). Its lower edge is steepest where it begins, so the whole
edge rises if it rises at the far end.
"""

import math
from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, hundredth, tenth
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_row_at,
    kernel,
    next_firing_row,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row


class Settings(DetectorSettings):
    """Early warning of hot oil."""

    limit_c: float = Field(80.0, description="Temperature to warn ahead of, degC")
    ahead_s: float = Field(600.0, gt=0, description="Warn if the line gets there within this, s")


GRID: Final = 10 * SECOND
BINS: Final = 30
NEEDED: Final = 15
"""Means that a line needs: half the window."""

T_975: Final = np.fromstring(
    """12.7062 4.3027 3.1824 2.7764 2.5706 2.4469 2.3646 2.3060 2.2622 2.2281 2.2010 2.1788 2.1604 2.1448
    2.1314 2.1199 2.1098 2.1009 2.0930 2.0860 2.0796 2.0739 2.0687 2.0639 2.0595 2.0555 2.0518 2.0484""",
    sep=" ",
)
"""Student's t, two-sided 95 %, by degrees of freedom from 1 (NIST/SEMATECH e-Handbook 1.3.6.7.2)."""

STATE: Final = np.dtype(
    [
        ("bin_end", "<i8"),  # the current grid interval ends here
        ("sum", "<f8"),
        ("n", "<i8"),
        ("fired", "<i8"),  # whether it fired in this interval
        ("onset", "<i8"),
        ("mean", "<f8", (BINS,)),  # means of the last intervals, oldest first; NaN where not sampled
        ("filled", "<i8"),  # number of means that are not NaN
    ]
)
PARAMS: Final = np.dtype([("limit", "<f8"), ("ahead", "<i8")])


@kernel
def line(mean: Any) -> Any:
    """Fit a line to BINS means, one per grid interval, NaN where missing; at least three must be present.

    Returns the line's value at the end of the last interval, its slope per interval, and what the prediction band
    needs: t s, Sxx, 1 + 1/n, and the distance from the end of the last interval to the mean of x.
    """
    count = 0
    sx = sy = sxx = sxy = syy = 0.0
    # x and y are centred, so that the sums of squares keep their digits.
    level = mean[BINS - 1] if mean[BINS - 1] == mean[BINS - 1] else 60.0
    for k in range(BINS):
        y = mean[k] - level
        if y == y:
            x = k + 0.5 - BINS / 2
            count += 1
            sx += x
            sy += y
            sxx += x * x
            sxy += x * y
            syy += y * y
    mx = sx / count
    sxx -= sx * mx
    sxy -= sx * sy / count
    slope = sxy / sxx
    rss = max(0.0, syy - sy * sy / count - slope * sxy)
    spread = T_975[count - 3] * math.sqrt(rss / (count - 2))
    offset = BINS / 2 - mx
    return level + sy / count + slope * offset, slope, spread, sxx, 1.0 + 1.0 / count, offset


@part
def _evidence(now_c: float, slope: float, reach_ns: float) -> Any:
    return now_c, slope * 60 * SECOND / GRID, reach_ns / (60.0 * SECOND)


@part
def _close(state: Any, params: Any, total: float, taken: int, out: Any) -> None:
    """End a grid interval: add its mean, and raise or clear the warning."""
    at = state.bin_end
    if state.mean[0] == state.mean[0]:
        state.filled -= 1
    for k in range(BINS - 1):
        state.mean[k] = state.mean[k + 1]
    state.mean[BINS - 1] = total / taken if taken else math.nan
    if taken:
        state.filled += 1
    warn = False
    now = math.nan
    reach = math.nan
    slope = 0.0
    if state.filled >= NEEDED and (state.fired or state.onset != NEVER):
        now, slope, spread, sxx, one, offset = line(state.mean)
        if slope > 0.0 and now < params.limit:
            reach = (params.limit - now) / slope * GRID
            distance = offset + params.ahead / GRID
            rising = slope > spread * distance / (sxx * math.sqrt(one + distance * distance / sxx))
            allowed = params.ahead if state.onset == NEVER else params.ahead * 1.5
            warn = rising and reach <= allowed
    evidence = _evidence(now, slope, reach)
    if not warn:
        state.onset = emit(out, 0, CLEARED, state.onset, at, LOW, evidence)
    elif state.onset == NEVER:
        state.onset = emit(out, 0, RAISED, at, at, LOW, evidence)


@part
def run(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any, out: Any) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    oil_c = oil_c.values
    total = state.sum
    taken = state.n
    i = tile.first
    start = tile.since
    fires_until = unchecked(firing_ends, i)
    if state.bin_end == NEVER:
        state.bin_end = start - start % GRID + GRID
    fired = state.fired or fires_until > start
    while True:
        bin_end = state.bin_end
        first = i
        i = first_row_at(time_ns, i, tile.last, bin_end)
        fired = fired or next_firing_row(time_ns, firing_ends, first, i) < i
        if oil_c.size > 0:
            for k in range(first, i):
                value = unchecked(oil_c, k)
                if value == value:
                    total += value
                    taken += 1
        now = unchecked(time_ns, i) if i < tile.last else tile.upto
        if now < bin_end:
            break
        fires_until = min(unchecked(firing_ends, i), now)
        state.fired = fired
        if state.filled or taken or state.onset != NEVER:
            _close(state, params, total, taken, out)
            total = 0.0
            taken = 0
        else:
            state.bin_end = now - now % GRID
        state.bin_end += GRID
        fired = fires_until > state.bin_end - GRID
    state.sum = total
    state.n = taken
    state.fired = fired
    if tile.report and state.onset != NEVER:
        now, slope, _spread, _sxx, _one, _offset = line(state.mean)
        reach = (params.limit - now) / slope * GRID if slope > 0.0 else math.nan
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, _evidence(now, slope, reach))


def _params(settings: Settings) -> tuple[Any, ...]:
    return (settings.limit_c, instant.seconds(settings.ahead_s))


DETECTOR: Final = Detector(
    name="oil_heating",
    version=1,
    faults=(
        Fault(
            "oil_heating",
            "The oil is at {oil_c:.1f} °C and gaining {slope_c_per_min:.2f} °C a minute.",
            {"oil_c": tenth, "slope_c_per_min": hundredth, "reach_min": tenth},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("oil_c",),
    fresh={"bin_end": NEVER, "onset": NEVER, "mean": np.nan},
    needs=(FIRING, ("oil_c",)),
    # The interval of the last row, and empty ones until too few means are left for a line.
    horizon=lambda _settings: (BINS - NEEDED + 2) * GRID,
)
