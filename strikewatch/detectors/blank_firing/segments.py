"""Runs of suspicious windows within a bout, and what speaks for each being blank; what `blank_firing` is made of.

A bout is a row of segments, each about one level (`steps`). The first is compared with what the hammer has
learned, every later one with the loaded level of this bout. Levels here are in bar at the reference engine speed,
and mirrored where the hammer's level rises when struck blank, so that blank is always low.
"""

from typing import Any, Final

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up
from strikewatch.detectors.blank_firing.evidence import against, run_level
from strikewatch.detectors.blank_firing.runs import (
    GOES_ON,
    ROSE,
    consider,
    drop_run,
    end_run,
    place,
    raise_it,
    resolve,
)
from strikewatch.detectors.blank_firing.score import BORNE_OUT, REFUTED, SCORE
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
    least_apart,
)
from strikewatch.detectors.kernels import (
    NEVER,
    part,
)

SPENT: Final = 0.7
"""A run that was suspicious is over when its score falls below this share of the floor."""
STALE: Final = 2_500_000_000
"""A change of level so shortly before one of engine speed went with it, ns."""
TOLD: Final = 1_500_000_000
"""So long after the start of a bout its level tells what became of the pump, ns."""


@part
def good_until(state: Any, at: int) -> None:
    """The present segment was loaded, up to here."""
    state.good_sum += state.steps.sum
    state.good_n += state.steps.n
    state.good += at - state.steps.since


@part
def fell(state: Any, params: Any, out: Any) -> None:
    """The level has stepped down inside the bout."""
    steps = state.steps
    at = max(min(state.calm, steps.fall_at), steps.fall_at - LEAVING)
    if state.kind != LOW_LEVEL and steps.fall_at - state.bout < EARLY:
        at = state.bout
    steps.sum -= steps.fall_sum
    steps.n -= steps.fall_n
    level = steps.fall_sum / steps.fall_n
    if state.kind != LOW_LEVEL:
        if at > state.bout:
            if steps.n > 0:
                state.ref = steps.level
            good_until(state, at)
    elif (
        state.run == state.bout and not state.stepped and at - state.bout >= params.blank_min and steps.n > 0
    ):
        # Low since the bout began and now lower still: the pump had changed, and the load goes only now.
        state.run_end = at
        before = steps.sum / steps.n
        end_run(state, params, START, out)
        baseline.move(state.loaded, before)
        state.ref = before
        good_until(state, at)
    else:
        state.run_sum += steps.sum
        state.run_n += steps.n
    if state.run == NEVER:
        state.run = at
        state.stepped = at > state.bout
    state.kind = LOW_LEVEL
    state.first = 0
    cusum.open_segment(steps, level, at, steps.fall_sum, steps.fall_n)


@part
def rose(state: Any, params: Any, out: Any) -> None:
    """The level has stepped up inside the bout."""
    steps = state.steps
    at = steps.rise_at
    steps.sum -= steps.rise_sum
    steps.n -= steps.rise_n
    level = steps.rise_sum / steps.rise_n
    if state.kind == LOW_LEVEL:
        state.run_end = at
        state.held = 0
        state.stepped = 1
        from_start = state.run == state.bout
        if not from_start:
            state.swings += 1
            state.swung += max(0.0, 1.0 - run_level(state) / against(state))
        if from_start and level < state.loaded.level * (1.0 - state.least):
            # What came after is what it would have had before, whatever the pump does.
            state.ref = level
        consider(state, params, ROSE, out)
        end_run(state, params, START if from_start else MIDDLE, out)
    elif steps.n > 0:
        good_until(state, at)
    state.kind = LOADED
    state.first = 0
    state.ref = level
    cusum.open_segment(steps, level, at, steps.rise_sum, steps.rise_n)


@part
def first_segment(state: Any, params: Any, doubt: float, end: int) -> None:
    """While a bout has shown no step: is it low against what the hammer has learned?"""
    steps = state.steps
    if state.seen < 3 and end - state.bout < params.blank_min:
        return
    state.kind = LOADED
    if known(state, params) and state.recent < state.loaded.level * (1.0 - least_apart(state) - doubt):
        state.kind = LOW_LEVEL
        state.run = state.bout
        # Until here the line was filling.
        cusum.open_segment(steps, state.recent, state.bout, state.recent, 1.0)


@part
def add_block(state: Any, total: float) -> None:
    """Another `BLOCK` of loaded windows, for the sway: Welford's running variance of their means."""
    mean = total / BLOCK
    state.blocks += 1
    off = mean - state.blocks_mean
    state.blocks_mean += off / state.blocks
    state.blocks_square += off * (mean - state.blocks_mean)


@part
def judge(state: Any, params: Any, pressure_bar: float, end: int, out: Any) -> None:
    """A window is full."""
    steps = state.steps
    start = state.window
    value = max(pressure_bar, 1.0) * state.factor
    if params.rises:
        value = MIRROR / value
    k = ((start + end) // 2 - state.bout) // ramp_up.BIN
    ramp_up.take(state.startup, start - state.bout, end - state.bout, value, state.kind == LOADED)
    spread = ramp_up.spread_at(state.startup, k, end - start)
    if spread > ramp_up.VARIES:
        return
    state.seen += 1
    share = ramp_up.share_at(state.startup, k)
    value *= 1.0 / share
    doubt = UNSTEADY * max(0.0, 1.0 - share) + spread
    least = state.least + doubt
    if abs(value - steps.level) < max(0.4 * least * steps.level, 2.0 * steps.noise):
        state.calm = end
    if steps.n == 0.0:
        steps.level = value
    if state.kind == LOADED and cusum.stay(steps, value, least):
        pass
    elif state.seen == 1:
        cusum.open_segment(steps, value, state.bout, value, 1.0)
    else:
        weight = min(2.0, (end - start) * 1e-8)
        state.step = (
            cusum.ewma(state.step, float(end - start), 0.1) if state.step > 0.0 else float(end - start)
        )
        step = cusum.follow(steps, value, start, weight, least)
        if step == cusum.FALL:
            fell(state, params, out)
        elif step == cusum.RISE:
            rose(state, params, out)
    state.recent = value if state.seen == 1 else cusum.ewma(state.recent, value, RECENT)
    state.deepest = min(state.deepest, state.recent) if state.kind == LOW_LEVEL else state.recent
    if state.first and state.kind != LOW_LEVEL and end - state.bout <= COMING_UP:
        first_segment(state, params, doubt, end)
    if state.fast:
        low = value < against(state) * (1.0 - least) if against(state) > 0.0 else False
        if low:
            blow_counter.tally(state.low_pulse, state.blows)
        elif state.kind != LOW_LEVEL:
            blow_counter.tally(state.good_pulse, state.blows)
            if state.run == NEVER:
                blow_counter.clear(state.low_pulse)
    if (
        state.kind == LOW_LEVEL
        and state.run == state.bout
        and not state.stepped
        and steps.level > state.loaded.level * (1.0 - 0.6 * least_apart(state))
    ):
        # It was only slow to come up.
        state.run_end = state.calm
        end_run(state, params, START, out)
        state.kind = LOADED
    if state.kind == LOADED and steps.fall == 0.0:
        state.block += value
        state.block_n += 1
        if state.block_n == BLOCK:
            add_block(state, state.block)
            state.block = 0.0
            state.block_n = 0
    if state.run != NEVER and steps.rise == 0.0:
        state.run_end = end
        consider(state, params, GOES_ON, out)
        if state.sure_end != NEVER and state.now[SCORE] < SPENT * params.least_score:
            # It was suspicious, and what came since speaks against it: it ended where it was so last.
            waited = state.onset == NEVER and not (state.run == state.bout and not state.stepped)
            if waited and state.sure[SCORE] >= params.at_once:
                raise_it(state, out)
            state.run_end = state.sure_end
            end_run(state, params, place(state), out)
            state.kind = LOADED
            cusum.open_segment(steps, state.recent, end, state.recent, 1.0)
            return
        if state.run == state.bout and not state.stepped and end - state.bout >= params.relearn:
            level = steps.sum / steps.n
            end_run(state, params, WHOLE, out)
            baseline.move(state.loaded, level)
            state.kind = LOADED
            state.ref = level
    if known(state, params):
        state.judged += end - start if state.judged else end - state.bout
    if (
        state.waiting.on
        and state.kind == LOADED
        and end - state.bout >= TOLD
        and steps.fall == 0.0
        and steps.n >= 2.0
    ):
        loaded_again = steps.level > 0.5 * (state.waiting.level + state.waiting.against)
        resolve(state, params, BORNE_OUT if loaded_again else REFUTED, out)
        if not loaded_again:
            baseline.move(state.loaded, steps.level)


@part
def new_speed(state: Any) -> None:
    """The engine runs at another speed: what the level does about now says nothing of the load."""
    steps = state.steps
    state.straddles = 1
    if state.bout == NEVER or state.onset != NEVER:
        return
    if state.window - state.bout < COMING_UP and (state.run == NEVER or state.run == state.bout):
        # It comes up from idling: what was seen of the bout was taken at a speed that no longer held.
        drop_run(state)
        state.kind = UNSURE
        state.seen = 0
        state.first = 1
        state.ref = 0.0
        state.good_sum = 0.0
        state.good_n = 0.0
        state.good = 0
        cusum.open_segment(steps, 0.0, state.bout, 0.0, 0.0)
    elif state.kind == LOW_LEVEL and state.run != state.bout and state.window - state.run < STALE:
        # The speed is sampled now and then: the level had gone with it before it was known.
        steps.level = against(state)
        drop_run(state)
        state.kind = LOADED
        cusum.open_segment(steps, steps.level, state.window, steps.level, 1.0)
    elif state.kind == LOADED and steps.n > 0.0:
        steps.fall = 0.0
        steps.rise = 0.0
        state.good_sum += steps.sum
        state.good_n += steps.n
        state.good += state.window - steps.since
        steps.since = state.window
        steps.sum = 0.0
        steps.n = 0.0
