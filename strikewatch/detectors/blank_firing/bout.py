"""The beginning and the end of a bout in `blank_firing`: what is measured of it, and what is learned from it."""

import math
from typing import Any, Final

from strikewatch.core.bout import REASONS
from strikewatch.detectors.blank_firing import baseline, blow_counter, ramp_up
from strikewatch.detectors.blank_firing.runs import (
    RELEASED,
    defer,
    end_run,
    may_be_throttle,
    raise_if_due,
    repeats_deferred,
    resolve,
    update_evidence,
)
from strikewatch.detectors.blank_firing.score import OPEN, REFUTED, can_show, run_level
from strikewatch.detectors.blank_firing.segments import count_loaded
from strikewatch.detectors.blank_firing.state import END, UNSURE, WHOLE, bar, least_step
from strikewatch.detectors.kernels import MEASURED, NEVER, WRITTEN, emit, part

ENOUGH: Final = 500_000_000
"""Loaded firing of a bout from which something is learned, ns."""
TYPICAL: Final = 3_000_000_000
"""A bout is not judged if the feed could not show a blank run of this length, ns."""

NO_PRESSURE: Final = REASONS.index("no pressure")
SPARSE: Final = REASONS.index("sparse")
SHORT: Final = REASONS.index("short")
LEARNING: Final = REASONS.index("learning")
PUMP_CHANGED: Final = REASONS.index("pump changed")
UNCLEAR: Final = REASONS.index("unclear")


@part
def begin_bout(state: Any, params: Any, start: int) -> None:
    """Begin a bout."""
    state.bout = start
    state.last_row = start
    state.window = start
    state.window_sum = 0.0
    state.window_n = 0
    state.windows = 0
    state.long_windows = 0
    state.judged = 0
    state.blank = 0
    state.segment = UNSURE
    state.no_step = 1
    state.least_change = least_step(state, params)
    state.bout_level = 0.0
    state.loaded_sum = 0.0
    state.loaded_n = 0.0
    state.loaded_ns = 0
    state.block = 0.0
    state.block_n = 0
    state.blocks = 0
    state.blocks_sum = 0.0
    state.blocks_squares = 0.0
    state.dips = 0
    state.dip_sum = 0.0
    state.fast = 0
    blow_counter.clear(state.loaded_pulse)
    blow_counter.clear(state.low_pulse)
    blow_counter.restart(state.blows, start)
    ramp_up.begin(state.ramp_up)
    state.calm_until = start
    state.cusum.level = 0.0
    state.cusum.n = 0.0


@part
def rejection_reason(state: Any, params: Any) -> int:
    """Return why a bout was not judged, as an index of `core.bout.REASONS`; 0 if it was."""
    if state.judged > 0:
        return 0 if state.blank > 0 or can_show(state, params, TYPICAL) else UNCLEAR
    if state.window == state.bout and state.window_n == 0:
        return NO_PRESSURE
    if state.windows == 0:
        return SPARSE if state.long_windows > 0 else SHORT
    return LEARNING


@part
def measure(state: Any, params: Any, level: float, expected: float, reason: int, numbers: Any) -> None:
    """Fill `numbers` [BOUT_NUMBERS] with those of a `core.bout.Bout`."""
    rate_hz = blow_counter.mean_rate(state.loaded_pulse)
    numbers[0] = 0.0 if reason == UNCLEAR else float(state.judged)
    numbers[1] = float(state.blank)
    numbers[2] = math.nan
    numbers[3] = math.nan
    if state.fast and state.blows.count > 0:
        numbers[2] = float(blow_counter.blows_in_bout(state.blows, rate_hz))
        low_hz = blow_counter.mean_rate(state.low_pulse)
        numbers[3] = round(low_hz * state.blank * 1e-9) if low_hz == low_hz else math.nan
        if state.blank == 0:
            numbers[3] = 0.0
    numbers[4] = bar(state, params, level) if level > 0.0 else math.nan
    numbers[5] = bar(state, params, expected) if expected > 0.0 else math.nan
    numbers[6] = rate_hz
    numbers[7] = blow_counter.mean_spread(state.loaded_pulse)
    numbers[8] = float(reason)


@part
def emit_bout(state: Any, params: Any, level: float, expected: float, reason: int, out: Any) -> None:
    """Write what was measured of the bout."""
    emit(out, 0, MEASURED, state.bout, state.fire_end, 0, (0.0,))
    # In place, since an array for each bout would have to be allocated.
    measure(state, params, level, expected, reason, out.findings[out.cursor[WRITTEN] - 1].evidence)


@part
def end_bout(state: Any, params: Any, out: Any) -> None:
    """End a bout: measure it, and learn from its loaded part."""
    steps = state.cusum
    reason = rejection_reason(state, params)
    expected = state.baseline.level
    deferred = False
    again = repeats_deferred(state)
    if state.waiting.on:
        resolve(state, params, REFUTED if again else OPEN, out)
    if state.run != NEVER:
        state.run_end = state.fire_end
        whole = state.run == state.bout and not state.stepped
        place = WHOLE if whole else END
        level = run_level(state)
        raise_if_due(state, params, RELEASED, out)
        pump_changed = state.pump_changed or again
        if (
            state.onset == NEVER
            and not pump_changed
            and may_be_throttle(state)
            and update_evidence(state, params, place)
        ):
            defer(state, params, place)
            deferred = True
        end_run(state, params, place, out)
        if whole:
            baseline.note_other_level(state.baseline, level)
            if pump_changed or state.baseline.other_bouts >= 4:
                baseline.replace_level(state.baseline, level)
            if pump_changed:
                reason = PUMP_CHANGED
                state.judged = 0
    elif steps.level > 0.0:
        count_loaded(state, state.fire_end)
    level = state.loaded_sum / state.loaded_n if state.loaded_n > 0.0 else 0.0
    if deferred:
        measure(state, params, level, expected, reason, state.waiting.bout_numbers)
    else:
        emit_bout(state, params, level, expected, reason, out)
    ramp_up.learn(state.ramp_up)
    if state.loaded_ns >= ENOUGH:
        if state.rpm > 0.0:
            baseline.learn_power(state.baseline, bar(state, params, level), state.rpm)
        state.baseline.other_bouts = 0
        if state.blocks >= 3:
            mean = state.blocks_sum / state.blocks
            sway = math.sqrt(max(0.0, state.blocks_squares / state.blocks / (mean * mean) - 1.0))
            if state.dips >= 2:
                # A tool does not slip again and again: this is the sway of the feed.
                sway = max(sway, 0.5 * state.dip_sum / state.dips)
            baseline.learn_sway(state.baseline, sway)
        baseline.learn(state.baseline, level, state.loaded_ns, state.loaded_n, state.least_change)
        rate_hz = blow_counter.mean_rate(state.loaded_pulse)
        if rate_hz == rate_hz:
            baseline.learn_pulse(state.baseline, rate_hz, blow_counter.mean_spread(state.loaded_pulse))
            baseline.watch_accumulator(state, params, out)
    state.bout = NEVER
