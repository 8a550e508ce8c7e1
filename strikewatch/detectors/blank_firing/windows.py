"""Rows of a bout become windows, which `segments` judges.

A window is the mean of the pressure samples over at least 75 ms, in a fast feed over whole blows.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import blow_counter, cusum, ramp_up
from strikewatch.detectors.blank_firing.segments import add_block, is_other_speed, take_speed, take_window
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    LOADED,
    RECENT,
    UNSTEADY,
    known,
    least_start_change,
)
from strikewatch.detectors.kernels import first_row_at, inlined, next_row, part, sample, unchecked

SHORTEST: Final = 75_000_000
"""A window ends at the first row this long after its start, ns; in a fast feed at the first blow after that, so that
it holds whole blows."""
LONGEST: Final = 250_000_000
"""In a fast feed it ends at the latest after this, ns."""
SPARSE: Final = 1_500_000_000
"""A longer window is not used, ns."""
FAST: Final = 12_500_000
"""Rows this close can have 8 samples per blow, ns."""
NO_END: Final = (1 << 63) - 1
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
def take_rows(
    state: Any, params: Any, time_ns: Any, pressure_bar: Any, engine_rpm: Any, i: int, last: int, out: Any
) -> None:
    """Take rows i..last-1 of a bout; windows of one row each in a shorter way where they are ordinary."""
    while i < last:
        sampled = not math.isnan(sample(pressure_bar.values, i))
        if sampled and state.window_n == 0 and not (state.fast or state.straddles):
            if state.window < state.bout + params.transient:
                i = _skip_transient(state, params, time_ns, pressure_bar, engine_rpm, i, last)
            elif _is_ordinary(state, params):
                i = _take_ordinary(state, params, time_ns, pressure_bar, engine_rpm, i, last)
            if i == last:
                break
        now = unchecked(time_ns, i)
        take_speed(state, sample(engine_rpm.values, i), now)
        value = sample(pressure_bar.values, i)
        if value == value:
            take_pressure(state, params, value, now, out)
        i += 1


@inlined
def _end_of_speed(state: Any, time_ns: Any, engine_rpm: Any, i: int, last: int) -> int:
    """Return the first row from i on with an engine speed, or at which it is no longer known; `last` if none."""
    if state.rpm > 0.0 and i < last and unchecked(time_ns, last - 1) > state.rpm_until:
        last = first_row_at(time_ns, i, last, state.rpm_until + 1)
    if engine_rpm.n:
        return next_row(engine_rpm.values, engine_rpm.values, i, last)
    return last


@inlined
def _skip_transient(
    state: Any, params: Any, time_ns: Any, pressure_bar: Any, engine_rpm: Any, i: int, last: int
) -> int:
    """Take windows of one row each in the start-up transient, which are no evidence; return the first other row."""
    window = state.window
    judged_from = state.bout + params.transient
    last = _end_of_speed(state, time_ns, engine_rpm, i, last)
    while i < last and window < judged_from:
        now = unchecked(time_ns, i)
        value = unchecked(pressure_bar.values, i)
        if not SHORTEST <= now - window <= SPARSE or value != value:
            break
        window = now
        i += 1
    if window > state.window:
        state.window = window
        state.last_row = window
    return i


@part
def _is_ordinary(state: Any, params: Any) -> bool:
    """Tell whether the next window may be an ordinary one: in a loaded segment, with nothing else under way."""
    steps = state.cusum
    return (
        state.segment == LOADED
        and steps.fall == 0.0
        and steps.rise == 0.0
        and steps.n > 0.0
        and not (state.waiting.on or params.rises)
        and (state.judged > 0 or not known(state, params))
    )


@inlined
def _take_ordinary(
    state: Any, params: Any, time_ns: Any, pressure_bar: Any, engine_rpm: Any, i: int, last: int
) -> int:
    """Take ordinary windows of one row each, from row i on, with the same result as `take_pressure`, but faster.

    Returns the first row that it does not take. The outer loop goes by engine speeds, the inner one by rows.
    """
    steps = state.cusum
    ramp = state.ramp_up
    judging = known(state, params)
    apart = least_start_change(state)
    usual = state.baseline.level if judging and state.no_step else 0.0
    bout = state.bout
    ramp_end = bout + ramp_up.BINS * ramp_up.BIN
    first = i
    least_change = state.least_change
    window = state.window
    level = steps.level
    noise = steps.noise
    total = steps.sum
    windows = steps.n
    recent = state.recent
    calm = state.calm_until
    block = state.block
    block_n = state.block_n
    steady = ramp.steady
    steady_n = ramp.steady_n
    k = -1
    # A window belongs to the bin of its middle, and twice the middle is window + now.
    twice_bin_end = 2 * bout
    scale = 1.0
    least = least_change
    lowest = 0.0
    longest = SPARSE
    while i < last:
        now = unchecked(time_ns, i)
        speed = sample(engine_rpm.values, i)
        if is_other_speed(state, speed, now):
            break
        take_speed(state, speed, now)
        factor = state.factor
        speed_end = _end_of_speed(state, time_ns, engine_rpm, i + 1, last)
        while i < speed_end:
            now = unchecked(time_ns, i)
            if window + now >= twice_bin_end:
                while k < ramp_up.BINS and window + now >= twice_bin_end:
                    k += 1
                    twice_bin_end += 2 * ramp_up.BIN
                if k == ramp_up.BINS:
                    twice_bin_end = NO_END
                share = ramp_up.share_at(ramp, k)
                doubt = UNSTEADY * max(0.0, 1.0 - share)
                scale = 1.0 / share
                least = least_change + doubt
                lowest = usual * (1.0 - apart - doubt) if k <= COMING_UP // ramp_up.BIN else 0.0
                longest = SPARSE if window >= ramp_end else ramp_up.BIN
            raw = unchecked(pressure_bar.values, i) * factor
            value = raw * scale
            off = abs(value - level)
            near = least * level
            recent_level = cusum.ewma(recent, value, RECENT)
            if not off < near or not SHORTEST <= now - window <= longest or recent_level < lowest:
                break
            recent = recent_level
            if k < ramp_up.BINS:
                ramp.sum[np.uintp(k)] += np.float32(raw)
                ramp.n[np.uintp(k)] += 1
            if k >= ramp_up.STEADY:
                steady += raw
                steady_n += 1
            if off < max(0.4 * near, 2.0 * noise):
                calm = now
            total += value
            windows += 1.0
            level = cusum.ewma(level, value, cusum.gain(windows))
            noise = cusum.follow_noise(noise, off, level)
            block += value
            block_n += 1
            if block_n == BLOCK:
                add_block(state, block)
                block = 0.0
                block_n = 0
            window = now
            i += 1
        if i < speed_end:
            break
    if i > first:
        steps.level = level
        steps.noise = noise
        steps.sum = total
        steps.n = windows
        ramp.steady = steady
        ramp.steady_n = steady_n
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
