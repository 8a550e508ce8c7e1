"""Rows of a bout become windows, which `segments` judges.

A window is the mean of the pressure samples over at least 75 ms, in a fast feed over whole blows.
"""

from typing import Any, Final

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
from strikewatch.detectors.kernels import NEVER, part, sample, unchecked

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
        state.long_windows += 1
    elif state.straddles:
        # The window has two engine speeds.
        state.straddles = 0
    elif state.window >= state.bout + params.transient:
        take_window(state, params, state.window_sum / state.window_n, now, out)
    state.window = now
    state.window_sum = 0.0
    state.window_n = 0


@part
def skip_ordinary(
    state: Any,
    params: Any,
    time_ns: Any,
    firing_ends: Any,
    pressure_bar: Any,
    engine_rpm: Any,
    i: int,
    last: int,
) -> int:
    """Take ordinary rows of a loaded segment from row i on, with the same result as `take_pressure`, but faster.

    Returns the first row that it does not take. A row is taken only if the hammer fires until the next.
    """
    steps = state.cusum
    if (
        state.segment != LOADED
        or state.fast
        or steps.fall != 0.0
        or steps.rise != 0.0
        or steps.n == 0.0
        or state.window_n
        or params.rises
        or state.waiting.on
        or state.straddles
    ):
        return i
    judging = known(state, params)
    if (judging and not state.judged) or state.window < state.bout + params.transient:
        return i
    ramp = state.ramp_up
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
    watch_until = state.bout + COMING_UP if state.no_step else NEVER
    apart = least_start_change(state)
    next_bin = state.window
    k = 0
    scale = state.factor
    least = state.least_change
    lowest = 0.0
    early = False
    while i + 1 < last:
        now = unchecked(time_ns, i)
        if unchecked(firing_ends, i + 1) < unchecked(time_ns, i + 1):
            break
        middle = (window + now) // 2
        if middle >= next_bin:
            k = (middle - state.bout) // ramp_up.BIN
            next_bin = state.bout + (k + 1) * ramp_up.BIN if k < ramp_up.BINS else -NEVER
            share = ramp_up.share_at(ramp, k)
            doubt = UNSTEADY * max(0.0, 1.0 - share)
            scale = 1.0 / share
            least = state.least_change + doubt
            lowest = state.baseline.level * (1.0 - apart - doubt) if judging else 0.0
            early = k < ramp_up.BINS
        if early and now - window > ramp_up.BIN:
            break
        raw = unchecked(pressure_bar, i) * state.factor
        value = raw * scale
        off = abs(value - level)
        if not (off < least * level and SHORTEST <= now - window <= SPARSE):
            break
        rpm = sample(engine_rpm, i)
        if rpm == rpm or (state.rpm > 0.0 and now > state.rpm_until):
            break
        recent_level = recent + RECENT * (value - recent)
        if recent_level < lowest and now <= watch_until:
            break
        recent = recent_level
        ramp_up.take(ramp, window - state.bout, now - state.bout, raw, True)
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
        state.fire_end = unchecked(time_ns, i)
    return i
