"""Segments of a bout, each about one level (`cusum`), and which of them are low.

The first segment is compared with the baseline of the hammer, every later one with the loaded level of this bout.
Levels are in bar at the reference engine speed, and mirrored where the hammer's level rises when blank, so that blank
is always low.
"""

from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up
from strikewatch.detectors.blank_firing.runs import (
    CONTINUES,
    ROSE,
    drop_run,
    end_run,
    place_of,
    raise_if_due,
    raise_run,
    resolve,
)
from strikewatch.detectors.blank_firing.score import CONFIRMED, REFUTED, SCORE, reference_level, run_level
from strikewatch.detectors.blank_firing.state import (
    BLOCK,
    COMING_UP,
    EARLY,
    LEAVING,
    LOADED,
    LOW_LEVEL,
    MIDDLE,
    MIRROR,
    RECENT,
    START,
    UNSTEADY,
    UNSURE,
    WHOLE,
    known,
    least_start_change,
)
from strikewatch.detectors.kernels import NEVER, part

RPM_HOLD: Final = CHANNELS["engine_rpm"].hold_ns
OTHER_SPEED: Final = 0.03
"""Engine speeds that differ by more than this share are two working points."""
SPENT: Final = 0.7
"""A suspicious run ends when its score falls below this share of the floor."""
STALE: Final = 2_500_000_000
"""A change of level this shortly before a change of engine speed belongs to it, ns."""
DECIDES: Final = 1_500_000_000
"""How long after its start the level of a bout shows whether the pump changed, ns."""


@part
def count_loaded(state: Any, at: int) -> None:
    """Count the current segment as loaded until `at`."""
    state.loaded_sum += state.cusum.sum
    state.loaded_n += state.cusum.n
    state.loaded_ns += at - state.cusum.since


@part
def step_down(state: Any, params: Any, out: Any) -> None:
    """Take a step down inside the bout."""
    steps = state.cusum
    at = max(min(state.calm_until, steps.fall_at), steps.fall_at - LEAVING)
    if state.segment != LOW_LEVEL and steps.fall_at - state.bout < EARLY:
        at = state.bout
    steps.sum -= steps.fall_sum
    steps.n -= steps.fall_n
    level = steps.fall_sum / steps.fall_n
    if state.segment != LOW_LEVEL:
        if at > state.bout:
            if steps.n > 0:
                state.bout_level = steps.level
            count_loaded(state, at)
    elif _is_low_from_start(state) and at - state.bout >= params.blank_min and steps.n > 0:
        # Low from the start and now lower: the pump had changed, and only now the load goes.
        state.run_end = at
        before = steps.sum / steps.n
        end_run(state, params, START, out)
        baseline.replace_level(state.baseline, before)
        state.bout_level = before
        count_loaded(state, at)
    else:
        state.run_sum += steps.sum
        state.run_n += steps.n
    if state.run == NEVER:
        state.run = at
        state.stepped = at > state.bout
    state.segment = LOW_LEVEL
    state.no_step = 0
    cusum.open_segment(steps, level, at, steps.fall_sum, steps.fall_n)


@part
def step_up(state: Any, params: Any, out: Any) -> None:
    """Take a step up inside the bout."""
    steps = state.cusum
    at = steps.rise_at
    steps.sum -= steps.rise_sum
    steps.n -= steps.rise_n
    level = steps.rise_sum / steps.rise_n
    if state.segment == LOW_LEVEL:
        state.run_end = at
        state.pump_changed = 0
        state.stepped = 1
        from_start = state.run == state.bout
        if not from_start:
            state.dips += 1
            state.dip_sum += max(0.0, 1.0 - run_level(state) / reference_level(state))
        if from_start and level < state.baseline.level * (1.0 - state.least_change):
            # The level after the step is what it would have been before, whatever the pump does.
            state.bout_level = level
        raise_if_due(state, params, ROSE, out)
        end_run(state, params, START if from_start else MIDDLE, out)
    elif steps.n > 0:
        count_loaded(state, at)
    state.segment = LOADED
    state.no_step = 0
    state.bout_level = level
    cusum.open_segment(steps, level, at, steps.rise_sum, steps.rise_n)


@part
def _check_start(state: Any, params: Any, doubt: float, end: int) -> None:
    """Decide whether the bout is low from its start, by the baseline, while it had no step."""
    if state.windows < 3 and end - state.bout < params.blank_min:
        return
    state.segment = LOADED
    least = least_start_change(state) + doubt
    if known(state, params) and state.recent < state.baseline.level * (1.0 - least):
        state.segment = LOW_LEVEL
        state.run = state.bout
        # The line was filling until here.
        cusum.open_segment(state.cusum, state.recent, state.bout, state.recent, 1.0)


@part
def _is_low_from_start(state: Any) -> bool:
    """Tell whether the run began with its bout, not by a step."""
    return state.run == state.bout and not state.stepped


@part
def _has_risen(state: Any) -> bool:
    """Tell whether the level is no longer clearly below the baseline."""
    return state.cusum.level > state.baseline.level * (1.0 - 0.6 * least_start_change(state))  # type: ignore[no-any-return]


@part
def add_block(state: Any, total: float) -> None:
    """Add the sum of a block of loaded windows, for the sway."""
    state.blocks += 1
    state.blocks_sum += total
    state.blocks_squares += total * total


@part
def _tally_blows(state: Any, level: float, least: float) -> None:
    """Count the blows of a window as loaded or low."""
    reference = reference_level(state)
    if reference > 0.0 and level < reference * (1.0 - least):
        blow_counter.tally(state.low_pulse, state.blows)
    elif state.segment != LOW_LEVEL:
        blow_counter.tally(state.loaded_pulse, state.blows)
        if state.run == NEVER:
            blow_counter.clear(state.low_pulse)


@part
def _continue_run(state: Any, params: Any, end: int, out: Any) -> bool:
    """Extend the run to the end of the window; return False if later windows have contradicted it."""
    steps = state.cusum
    state.run_end = end
    raise_if_due(state, params, CONTINUES, out)
    if state.valid_end != NEVER and state.score < SPENT * params.least_score:
        # The run ended where its score last reached the floor.
        was_waiting = state.onset == NEVER and not _is_low_from_start(state)
        if was_waiting and state.valid[SCORE] >= params.at_once:
            raise_run(state, out)
        state.run_end = state.valid_end
        end_run(state, params, place_of(state), out)
        state.segment = LOADED
        cusum.open_segment(steps, state.recent, end, state.recent, 1.0)
        return False
    if _is_low_from_start(state) and end - state.bout >= params.relearn:
        level = steps.sum / steps.n
        end_run(state, params, WHOLE, out)
        baseline.replace_level(state.baseline, level)
        state.segment = LOADED
        state.bout_level = level
    return True


@part
def take_window(state: Any, params: Any, pressure_bar: float, end: int, out: Any) -> None:
    """Take a window that has ended, with its mean pressure."""
    steps = state.cusum
    start = state.window
    level = max(pressure_bar, 1.0) * state.factor
    if params.rises:
        level = MIRROR / level
    k = ((start + end) // 2 - state.bout) // ramp_up.BIN
    ramp_up.take(state.ramp_up, start - state.bout, end - state.bout, level, state.segment == LOADED)
    spread = ramp_up.spread_at(state.ramp_up, k, end - start)
    if spread > ramp_up.VARIES:
        return
    state.windows += 1
    share = ramp_up.share_at(state.ramp_up, k)
    level *= 1.0 / share
    doubt = UNSTEADY * max(0.0, 1.0 - share) + spread
    least = state.least_change + doubt
    if abs(level - steps.level) < max(0.4 * least * steps.level, 2.0 * steps.noise):
        state.calm_until = end
    if steps.n == 0.0:
        steps.level = level
    if state.windows == 1:
        cusum.open_segment(steps, level, state.bout, level, 1.0)
    else:
        lasted = float(end - start)
        stays = cusum.stay(steps, level, least)
        if not stays or state.segment != LOADED:
            state.step = cusum.ewma(state.step, lasted, 0.1) if state.step > 0.0 else lasted
        step = 0 if stays else cusum.follow(steps, level, start, min(2.0, lasted * 1e-8), least)
        if step == cusum.FALL:
            step_down(state, params, out)
        elif step == cusum.RISE:
            step_up(state, params, out)
    state.recent = level if state.windows == 1 else cusum.ewma(state.recent, level, RECENT)
    state.deepest = min(state.deepest, state.recent) if state.segment == LOW_LEVEL else state.recent
    if state.no_step and state.segment != LOW_LEVEL and end - state.bout <= COMING_UP:
        _check_start(state, params, doubt, end)
    if state.fast:
        _tally_blows(state, level, least)
    if state.segment == LOW_LEVEL and _is_low_from_start(state) and _has_risen(state):
        # It only rose slowly.
        state.run_end = state.calm_until
        end_run(state, params, START, out)
        state.segment = LOADED
    if state.segment == LOADED and steps.fall == 0.0:
        state.block += level
        state.block_n += 1
        if state.block_n == BLOCK:
            add_block(state, state.block)
            state.block = 0.0
            state.block_n = 0
    if state.run != NEVER and steps.rise == 0.0 and not _continue_run(state, params, end, out):
        return
    if known(state, params):
        state.judged += end - start if state.judged else end - state.bout
    decides = state.segment == LOADED and end - state.bout >= DECIDES
    if state.waiting.on and decides and steps.fall == 0.0 and steps.n >= 2.0:
        is_loaded = steps.level > 0.5 * (state.waiting.level + state.waiting.reference)
        resolve(state, params, CONFIRMED if is_loaded else REFUTED, out)
        if not is_loaded:
            baseline.replace_level(state.baseline, steps.level)


@part
def is_other_speed(state: Any, rpm: float, now: int) -> bool:
    """Tell whether an engine speed is another working point than the one known now; NaN: not sampled."""
    known = state.rpm if now <= state.rpm_until else 0.0
    return rpm > 0.0 and abs(rpm - known) > OTHER_SPEED * rpm


@part
def take_speed(state: Any, rpm: float, now: int) -> None:
    """Take the engine speed of a firing row; NaN where not sampled."""
    if is_other_speed(state, rpm, now):
        new_speed(state)
    if state.rpm > 0.0 and now > state.rpm_until:
        state.rpm = 0.0
        state.factor = 1.0
    if rpm > 0.0:
        state.rpm_until = now + RPM_HOLD
        if rpm != state.rpm:
            state.rpm = rpm
            state.factor = baseline.factor(state.baseline, rpm)


@part
def new_speed(state: Any) -> None:
    """Take a change of engine speed: a change of level about now says nothing about the load."""
    steps = state.cusum
    state.straddles = 1
    if state.bout == NEVER or state.onset != NEVER:
        return
    if state.window - state.bout < COMING_UP and (state.run == NEVER or state.run == state.bout):
        # The engine comes up from idle: the windows so far were taken at a speed that was already over.
        drop_run(state)
        state.segment = UNSURE
        state.windows = 0
        state.no_step = 1
        state.bout_level = 0.0
        state.loaded_sum = 0.0
        state.loaded_n = 0.0
        state.loaded_ns = 0
        cusum.open_segment(steps, 0.0, state.bout, 0.0, 0.0)
    elif state.segment == LOW_LEVEL and state.run != state.bout and state.window - state.run < STALE:
        # The speed is sampled rarely: the level had followed it before the new speed was known.
        steps.level = reference_level(state)
        drop_run(state)
        state.segment = LOADED
        cusum.open_segment(steps, steps.level, state.window, steps.level, 1.0)
    elif state.segment == LOADED and steps.n > 0.0:
        steps.fall = 0.0
        steps.rise = 0.0
        state.loaded_sum += steps.sum
        state.loaded_n += steps.n
        state.loaded_ns += state.window - steps.since
        steps.since = state.window
        steps.sum = 0.0
        steps.n = 0.0
