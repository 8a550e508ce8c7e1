"""Rows of a bout become windows, which `segments` judges.

A window is the mean of the pressure samples over at least 75 ms, in a fast feed over whole blows.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import blow_counter, cusum, ramp_up
from strikewatch.detectors.blank_firing.segments import add_block, take_window
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    LOADED,
    RECENT,
    UNSTEADY,
    known,
    least_start_change,
)
from strikewatch.detectors.kernels import NEVER, inlined, part, unchecked

SHORTEST: Final = 75_000_000
"""A window ends at the first row this long after its start, ns; in a fast feed at the first blow after that, so that
it holds whole blows."""
LONGEST: Final = 250_000_000
"""In a fast feed it ends at the latest after this, ns."""
SPARSE: Final = 1_500_000_000
"""A longer window is not used, ns."""
FAST: Final = 12_500_000
"""Rows this close can have 8 samples per blow, ns."""
SETTLE: Final = 150_000_000
"""Blows are counted from this long after the start of the bout, ns."""


@part
def take_pressure(state: Any, params: Any, pressure_bar: float, now: int, out: Any) -> None:
    """Take a sample of pressure during firing."""
    blow = False
    if now - state.last_row <= FAST:
        state.fast = 1
        if now - state.bout >= SETTLE:
            blow = blow_counter.take(state.blows, pressure_bar, now)
    state.last_row = now
    state.window_sum += pressure_bar
    state.window_n += 1
    lasted = now - state.window
    if lasted < SHORTEST or (state.fast and not blow and lasted < LONGEST):
        return
    if lasted > SPARSE:
        state.long_windows = 1
    elif state.straddles:
        # The window has two engine speeds.
        state.straddles = 0
    elif state.window >= state.bout + params.transient:
        take_window(state, params, state.window_sum / state.window_n, now, out)
    state.window = now
    state.window_sum = 0.0
    state.window_n = 0


@inlined
def take_rows(state: Any, params: Any, time_ns: Any, pressure_bar: Any, i: int, last: int, out: Any) -> None:
    """Take rows i..last-1, all at one engine speed."""
    while i < last:
        if _is_ordinary(state, params):
            i = _take_ordinary(state, params, time_ns, pressure_bar, i, last)
            if i == last:
                break
        value = unchecked(pressure_bar, i)
        if value == value:
            take_pressure(state, params, value, unchecked(time_ns, i), out)
        i += 1


@part
def _is_ordinary(state: Any, params: Any) -> bool:
    """Tell whether the next window may be an ordinary one: in a loaded segment, with nothing else under way."""
    steps = state.cusum
    return (
        state.segment == LOADED
        and steps.fall == 0.0
        and steps.rise == 0.0
        and steps.n > 0.0
        and state.window_n == 0
        and not (state.fast or state.straddles or state.waiting.on or params.rises)
        and (state.judged > 0 or not known(state, params))
        and state.window >= state.bout + params.transient
    )


@inlined
def _take_ordinary(state: Any, params: Any, time_ns: Any, pressure_bar: Any, i: int, last: int) -> int:
    """Take ordinary windows of one row each, from row i on, with the same result as `take_pressure`, but faster.

    Returns the first row that it does not take.
    """
    steps = state.cusum
    ramp = state.ramp_up
    judging = known(state, params)
    apart = least_start_change(state)
    watch_until = state.bout + COMING_UP if state.no_step else NEVER
    first = i
    window = state.window
    level = steps.level
    noise = steps.noise
    total = steps.sum
    windows = steps.n
    recent = state.recent
    calm = state.calm_until
    block = state.block
    block_n = state.block_n
    # Of the current bin of the ramp-up, up to `next_bin`; the one after the last bin has no end.
    next_bin = window
    k = 0
    scale = least = lowest = 0.0
    longest = 0
    while i < last:
        now = unchecked(time_ns, i)
        middle = (window + now) // 2
        if middle >= next_bin:
            k = min((middle - state.bout) // ramp_up.BIN, ramp_up.BINS)
            next_bin = state.bout + (k + 1) * ramp_up.BIN if k < ramp_up.BINS else -NEVER
            share = ramp_up.share_at(ramp, k)
            doubt = UNSTEADY * max(0.0, 1.0 - share)
            scale = 1.0 / share
            least = state.least_change + doubt
            lowest = state.baseline.level * (1.0 - apart - doubt) if judging else 0.0
            longest = ramp_up.BIN if window - state.bout < ramp_up.BINS * ramp_up.BIN else SPARSE
        raw = unchecked(pressure_bar, i) * state.factor
        value = raw * scale
        off = abs(value - level)
        recent_level = recent + RECENT * (value - recent)
        if (
            not off < least * level
            or not SHORTEST <= now - window <= longest
            or (recent_level < lowest and now <= watch_until)
        ):
            break
        recent = recent_level
        if k < ramp_up.BINS:
            ramp.sum[np.uintp(k)] += raw
            ramp.n[np.uintp(k)] += 1
        if k >= ramp_up.STEADY:
            ramp.steady += raw
            ramp.steady_n += 1
        if off < max(0.4 * least * level, 2.0 * noise):
            calm = now
        total += value
        windows += 1.0
        level += cusum.gain(windows) * (value - level)
        noise += cusum.FOLLOW_NOISE * (min(off, 3.0 * max(noise, cusum.SURE * level)) - noise)
        block += value
        block_n += 1
        if block_n == BLOCK:
            add_block(state, block)
            block = 0.0
            block_n = 0
        window = now
        i += 1
    if i > first:
        steps.level = level
        steps.noise = noise
        steps.sum = total
        steps.n = windows
        state.block = block
        state.block_n = block_n
        state.calm_until = calm
        state.recent = recent
        state.deepest = recent
        state.windows += i - first
        if judging:
            state.judged += window - state.window
        state.window = window
        state.last_row = window
    return i
