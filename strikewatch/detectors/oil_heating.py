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
from strikewatch.detectors.base import (
    FIRING,
    Detector,
    DetectorSettings,
    Older,
    fields_of,
    hundredth,
    tenth,
)
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_row_at,
    inlined,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import UNIT, fixed_sum


class Settings(DetectorSettings):
    """Early warning of hot oil."""

    limit_c: float = Field(80.0, description="Temperature that the warning is about, degC")
    ahead_s: float = Field(600.0, gt=0, description="Warn if the fitted line reaches it within this time, s")


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

MISSING: Final = -(1 << 31)
"""The mean of an interval without a sample."""

STATE: Final = np.dtype(
    [
        ("bin_end", "<i8"),  # the current grid interval ends here
        ("sum", "<i8"),  # of its samples, in UNITs of `tiles`
        ("onset", "<i8"),
        ("n", "<u4"),  # its samples
        (
            "mean",
            "<i4",
            (BINS,),
        ),  # means of the last intervals, oldest first, in UNITs; MISSING where not sampled
        ("filled", "<u1"),  # number of means that are not MISSING
        ("fired", "<u1"),  # whether it fired in this interval
    ],
    align=True,
)
_VERSION_1: Final = np.dtype(
    [
        ("bin_end", "<i8"),
        ("sum", "<f8"),
        ("n", "<i8"),
        ("fired", "<i8"),
        ("onset", "<i8"),
        ("mean", "<f8", (BINS,)),
        ("filled", "<i8"),
    ]
)
PARAMS: Final = np.dtype([("limit", "<f8"), ("ahead", "<i8")])


@part
def line(mean: Any) -> Any:
    """Fit a line to BINS means in UNITs, one per grid interval; at least three must not be MISSING.

    Returns the line's value at the end of the last interval, degC, its slope per interval, and what the prediction
    band needs: n, Sxx, the sum of squared residuals, and the distance from the end of the last interval to the mean of
    x.
    """
    # The sums are exact. x is doubled; x and y are centred, so that differences of squares keep their digits.
    level = int(mean[BINS - 1])
    if level == MISSING:
        for k in range(BINS):
            level = max(level, int(mean[k]))
    count = sx = sy = sxx = sxy = syy = 0
    for k in range(BINS):
        known = mean[k] != MISSING
        x = 2 * k + 1 - BINS if known else 0
        y = int(mean[k]) - level if known else 0
        count += known
        sx += x
        sy += y
        sxx += x * x
        sxy += x * y
        syy += y * y
    mean_x = 0.5 * sx / count
    mean_y = UNIT * sy / count
    variation_x = 0.25 * sxx - mean_x * mean_x * count
    variation_y = UNIT * UNIT * syy - mean_y * mean_y * count
    slope = (0.5 * UNIT * sxy - mean_x * mean_y * count) / variation_x
    residuals = max(0.0, variation_y - slope * slope * variation_x)
    offset = BINS / 2 - mean_x
    return UNIT * level + mean_y + slope * offset, slope, count, variation_x, residuals, offset


@part
def least_rise(count: int, variation_x: float, residuals: float, distance: float) -> float:
    """Return the slope above which the band's lower edge rises at a distance from the mean of x.

    `distance` in intervals; the others are returned by `line`.
    """
    spread = T_975[count - 3] * math.sqrt(residuals / (count - 2))
    widening = math.sqrt(1.0 + 1.0 / count + distance * distance / variation_x)
    return spread * distance / (variation_x * widening)  # type: ignore[no-any-return]


@part
def _evidence(now_c: float, slope: float, reach_ns: float) -> Any:
    return now_c, slope * 60 * SECOND / GRID, reach_ns / (60.0 * SECOND)


@part
def _close(state: Any, params: Any, out: Any) -> None:
    """End a grid interval: add its mean, and raise or clear the warning."""
    at = state.bin_end
    state.filled -= state.mean[0] != MISSING
    for k in range(BINS - 1):
        state.mean[k] = state.mean[k + 1]
    state.mean[BINS - 1] = (2 * state.sum + state.n) // (2 * state.n) if state.n else MISSING
    state.filled += state.n > 0
    warn = False
    now = math.nan
    reach = math.nan
    slope = 0.0
    if state.filled >= NEEDED and (state.fired or state.onset != NEVER):
        now, slope, count, variation_x, residuals, offset = line(state.mean)
        if slope > 0.0 and now < params.limit:
            reach = (params.limit - now) / slope * GRID
            allowed = params.ahead if state.onset == NEVER else params.ahead * 1.5
            if reach <= allowed:
                distance = offset + params.ahead / GRID
                warn = slope > least_rise(count, variation_x, residuals, distance)
    evidence = _evidence(now, slope, reach)
    if not warn:
        state.onset = emit(out, 0, CLEARED, state.onset, at, LOW, evidence)
    elif state.onset == NEVER:
        state.onset = emit(out, 0, RAISED, at, at, LOW, evidence)


@inlined
def _take_samples(state: Any, oil_c: Any, i: int, j: int) -> None:
    """Take the samples of rows i..j-1 into the current grid interval."""
    if oil_c.n:
        total, n = fixed_sum(oil_c.values, i, j)
        state.sum += total
        state.n += n


@part
def run(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any, out: Any) -> None:
    if state.bin_end == NEVER:
        state.bin_end = tile.since - tile.since % GRID + GRID
    i = tile.first
    k = 0
    while True:
        # The current grid interval: its rows i..j-1, and the first run of firing that reaches into it.
        j = first_row_at(rows.time_ns, i, tile.last, state.bin_end)
        _take_samples(state, oil_c, i, j)
        while k < tile.runs and rows.runs[k].end <= state.bin_end - GRID:
            k += 1
        if k < tile.runs and rows.runs[k].start < state.bin_end:
            state.fired = 1
        i = j
        now = unchecked(rows.time_ns, i) if i < tile.last else tile.upto
        if now < state.bin_end:
            break
        if state.filled or state.n or state.onset != NEVER:
            _close(state, params, out)
            state.bin_end += GRID
        else:
            state.bin_end = now - now % GRID + GRID
        state.sum = 0
        state.n = 0
        state.fired = 0
    if tile.report and state.onset != NEVER:
        now_c, slope, _count, _variation_x, _residuals, _offset = line(state.mean)
        reach = (params.limit - now_c) / slope * GRID if slope > 0.0 else math.nan
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, _evidence(now_c, slope, reach))


def _carry_over(record: Any) -> dict[str, Any]:
    mean = record["mean"]
    fixed = np.where(np.isnan(mean), MISSING, np.round(np.nan_to_num(mean) / UNIT))
    return {**fields_of(record), "sum": round(record["sum"] / UNIT), "mean": fixed}


def _params(settings: Settings) -> tuple[Any, ...]:
    return (settings.limit_c, instant.seconds(settings.ahead_s))


DETECTOR: Final = Detector(
    name="oil_heating",
    version=2,
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
    fresh={"bin_end": NEVER, "onset": NEVER, "mean": MISSING},
    older={1: Older(_VERSION_1, _carry_over)},
    needs=(FIRING, ("oil_c",)),
    # The interval of the last row, and empty ones until too few means are left for a line.
    horizon=lambda _settings: (BINS - NEEDED + 2) * GRID,
)
