"""A bout as `blank_firing` takes it: rows into windows, and what is noted and learned of it when it is over."""

import math
from typing import Any, Final

from strikewatch.detectors.blank_firing import accumulator, baseline, blow_counter, cusum, ramp_up, waiting
from strikewatch.detectors.blank_firing.evidence import run_level, stands_out
from strikewatch.detectors.blank_firing.runs import (
    RELEASED,
    consider,
    end_run,
    resolve,
    throttle_again,
    throttled,
    wait,
    weigh,
)
from strikewatch.detectors.blank_firing.score import OPEN, REFUTED
from strikewatch.detectors.blank_firing.segments import add_block, good_until, judge
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    END,
    LOADED,
    RECENT,
    UNSTEADY,
    UNSURE,
    WHOLE,
    bar,
    known,
    least_apart,
    least_fall,
)
from strikewatch.detectors.kernels import (
    MEASURED,
    NEVER,
    emit,
    part,
    sample,
    unchecked,
)

ENOUGH: Final = 500_000_000
"""Loaded firing of a bout from which something is learned, ns."""

SHORTEST: Final = 75_000_000
"""A window is over at the first row so long after its start, ns."""
LONGEST: Final = 250_000_000
"""... or in a fast feed at the first blow, so that it holds whole blows; at the latest after this."""
SPARSE: Final = 1_500_000_000
"""A window longer than this says nothing, ns."""
FAST: Final = 12_500_000
"""Rows at most so far apart can have 8 in a blow, ns."""
TYPICAL: Final = 3_000_000_000
"""A feed that cannot show a blank run of this length, ns, is not judged."""
UNCLEAR: Final = 6
"""Index in `core.bout.REASONS`."""
SETTLE: Final = 150_000_000
"""Blows are looked for from here on, ns after the bout began."""


@part
def begin(state: Any, params: Any, start: int) -> None:
    state.bout = start
    state.row = start
    state.window = start
    state.sum = 0.0
    state.n = 0
    state.seen = 0
    state.long = 0
    state.judged = 0
    state.blank = 0
    state.kind = UNSURE
    state.first = 1
    state.least = least_fall(state, params)
    state.ref = 0.0
    state.good_sum = 0.0
    state.good_n = 0.0
    state.good = 0
    state.block = 0.0
    state.block_n = 0
    state.blocks = 0
    state.blocks_mean = 0.0
    state.blocks_square = 0.0
    state.swings = 0
    state.swung = 0.0
    state.fast = 0
    blow_counter.clear(state.good_pulse)
    blow_counter.clear(state.low_pulse)
    blow_counter.restart(state.blows, start)
    ramp_up.begin(state.startup)
    state.calm = start
    state.steps.level = 0.0
    state.steps.n = 0.0


@part
def row_of(state: Any, params: Any, pressure_bar: float, now: int, out: Any) -> None:
    """One sample of pressure while the hammer fires."""
    blow = False
    if now - state.row <= FAST:
        state.fast = 1
        if now - state.bout >= SETTLE:
            blow = blow_counter.take(state.blows, pressure_bar, now)
    state.row = now
    state.sum += pressure_bar
    state.n += 1
    lasted = now - state.window
    if lasted < SHORTEST or (state.fast and not blow and lasted < LONGEST):
        return
    if lasted > SPARSE:
        state.long += 1
    elif state.straddles:
        # Taken at two engine speeds.
        state.straddles = 0
    elif state.window >= state.bout + params.transient:
        judge(state, params, state.sum / state.n, now, out)
    state.window = now
    state.sum = 0.0
    state.n = 0


@part
def along(
    state: Any,
    params: Any,
    time_ns: Any,
    firing_ends: Any,
    pressure_bar: Any,
    engine_rpm: Any,
    group: int,
    i: int,
    last: int,
) -> int:
    """The short way through ordinary rows of a loaded segment, from row i on: leaves what `_row` would leave.

    Returns the first row that it does not take; a row is taken only if the hammer fires on until the next.
    """
    steps = state.steps
    if (
        state.kind != LOADED
        or state.fast
        or steps.fall != 0.0
        or steps.rise != 0.0
        or steps.n == 0.0
        or state.n
        or params.rises
        or state.waiting.on
        or state.straddles
    ):
        return i
    judging = known(state, params)
    if (judging and not state.judged) or state.window < state.bout + params.transient:
        return i
    ramp = state.startup
    first = i
    window = state.window
    level = steps.level
    noise = steps.noise
    total = steps.sum
    windows = steps.n
    recent = state.recent
    calm = state.calm
    block = state.block
    block_n = state.block_n
    watch_until = state.bout + COMING_UP if state.first else NEVER
    apart = least_apart(state)
    next_bin = state.window
    k = 0
    scale = state.factor
    least = state.least
    lowest = 0.0
    early = False
    while i + 1 < last:
        now = unchecked(time_ns, i)
        if unchecked(firing_ends, i + 1 + group) < unchecked(time_ns, i + 1):
            break
        middle = (window + now) // 2
        if middle >= next_bin:
            k = (middle - state.bout) // ramp_up.BIN
            next_bin = state.bout + (k + 1) * ramp_up.BIN if k < ramp_up.BINS else -NEVER
            share = ramp_up.share_at(ramp, k)
            doubt = UNSTEADY * max(0.0, 1.0 - share)
            scale = 1.0 / share
            least = state.least + doubt
            lowest = state.loaded.level * (1.0 - apart - doubt) if judging else 0.0
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
        of_late = recent + RECENT * (value - recent)
        if of_late < lowest and now <= watch_until:
            break
        recent = of_late
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
        state.calm = calm
        state.recent = recent
        state.deepest = recent
        state.seen += i - first
        if judging:
            state.judged += window - state.window
        state.window = window
        state.row = window
        state.fire_end = unchecked(time_ns, i)
    return i


@part
def why_not(state: Any, params: Any) -> int:
    """Why a bout was not judged, as an index of `core.bout.REASONS`."""
    if state.judged > 0:
        return 0 if state.blank > 0 or stands_out(state, params, TYPICAL) else UNCLEAR
    if state.window == state.bout and state.n == 0:
        return 1
    if state.seen == 0:
        return 2 if state.long > 0 else 3
    return 4


@part
def measured(state: Any, params: Any, level: float, expected: float, why: int) -> Any:
    """The numbers of a `core.bout.Bout`."""
    rate_hz = blow_counter.mean_rate(state.good_pulse)
    struck = math.nan
    blank = math.nan
    if state.fast and state.blows.count > 0:
        struck = float(blow_counter.struck(state.blows, rate_hz))
        low_hz = blow_counter.mean_rate(state.low_pulse)
        blank = round(low_hz * state.blank * 1e-9) if low_hz == low_hz else math.nan
        if state.blank == 0:
            blank = 0.0
    return (
        0.0 if why == UNCLEAR else float(state.judged),
        float(state.blank),
        struck,
        blank,
        bar(state, params, level) if level > 0.0 else math.nan,
        bar(state, params, expected) if expected > 0.0 else math.nan,
        rate_hz,
        blow_counter.mean_spread(state.good_pulse),
        float(why),
        0.0,
        0.0,
        0.0,
    )


@part
def note(state: Any, params: Any, level: float, expected: float, why: int, out: Any) -> None:
    """Write down what was measured of the bout."""
    numbers = measured(state, params, level, expected, why)
    emit(out, 0, MEASURED, state.bout, state.fire_end, 0, numbers)


@part
def release(state: Any, params: Any, out: Any) -> None:
    """The bout is over: note it, and learn from its loaded part."""
    steps = state.steps
    why = why_not(state, params)
    expected = state.loaded.level
    waits = 0
    again = throttle_again(state)
    if state.waiting.on:
        resolve(state, params, REFUTED if again else OPEN, out)
    if state.run != NEVER:
        state.run_end = state.fire_end
        whole = state.run == state.bout and not state.stepped
        where = WHOLE if whole else END
        level = run_level(state)
        consider(state, params, RELEASED, out)
        held = state.held or again
        if state.onset == NEVER and not held and throttled(state) and weigh(state, params, where):
            wait(state, params, where)
            waits = 1
        end_run(state, params, where, out)
        if whole:
            baseline.set_aside(state.loaded, level)
            if held or state.loaded.asides >= 4:
                baseline.move(state.loaded, level)
            if held:
                why = 5
                state.judged = 0
    elif steps.level > 0.0:
        good_until(state, state.fire_end)
    level = state.good_sum / state.good_n if state.good_n > 0.0 else 0.0
    if waits:
        numbers = measured(state, params, level, expected, why)
        for k in range(waiting.NOTE):
            state.waiting.note[k] = numbers[k]
    else:
        note(state, params, level, expected, why, out)
    ramp_up.learn(state.startup)
    if state.good >= ENOUGH:
        if state.rpm > 0.0:
            baseline.learn_power(state.loaded, bar(state, params, level), state.rpm)
        state.loaded.asides = 0
        if state.blocks >= 3:
            sway = math.sqrt(state.blocks_square / state.blocks) / state.blocks_mean
            if state.swings >= 2:
                # Down and up again and again is no tool that slips: it is how this feed sways.
                sway = max(sway, 0.5 * state.swung / state.swings)
            baseline.learn_sway(state.loaded, sway)
        baseline.learn(state.loaded, level, state.good, state.good_n, state.least)
        rate_hz = blow_counter.mean_rate(state.good_pulse)
        if rate_hz == rate_hz:
            baseline.learn_pulse(state.loaded, rate_hz, blow_counter.mean_spread(state.good_pulse))
            accumulator.watch(state, params, out)
    state.bout = NEVER
