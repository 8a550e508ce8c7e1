"""A run of suspicious windows: weighed while it grows, raised, ended, or left to the next bout (`waiting`)."""

from typing import Any, Final

from strikewatch.detectors.blank_firing import baseline, ramp_up, waiting
from strikewatch.detectors.blank_firing.evidence import against, evidence, run_level
from strikewatch.detectors.blank_firing.score import PLACE, REFUTED, RESOLVED, SCORE, score
from strikewatch.detectors.blank_firing.state import MIDDLE, START, WHOLE, known, least_apart
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    EVIDENCE,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    emit,
    part,
)

GOES_ON: Final = 0
ROSE: Final = 1
RELEASED: Final = 2
"""How a run stands: it goes on; the level rose again inside the bout; the bout is over."""
PUMP_CHANGED: Final = 5.0
"""Index in `core.bout.REASONS`."""


@part
def place(state: Any) -> int:
    """Where in its bout a run that goes on lies."""
    return START if state.run == state.bout else MIDDLE


@part
def throttled(state: Any) -> bool:
    """Whether a throttle may have let the level of the run down, as far as is known: the next bout tells."""
    return state.rpm == 0.0 and run_level(state) > against(state) * (1.0 - waiting.THROTTLE)


@part
def waits(state: Any, how: int) -> bool:
    """Whether the pump may have changed: low until now or until the release, and the engine speed not known, or low all
    through the bout and the same level already in bouts before."""
    if how == ROSE:
        return False
    if state.run == state.bout and not state.stepped:
        before = state.loaded.asides if abs(state.recent / state.loaded.aside - 1.0) < baseline.SAME else 0
        state.held = before >= (1 if state.rpm == 0.0 else 3)
        if state.held or how == GOES_ON:
            return True
    return throttled(state)


@part
def weigh(state: Any, params: Any, where: int) -> bool:
    """Bring the evidence of the run up to date; whether it is worth a suspicion."""
    if state.run_end - state.run < params.blank_min or not known(state, params):
        return False
    if state.onset == NEVER:
        apart = state.run == state.bout and not (state.stepped and ramp_up.known(state.startup))
        if run_level(state) >= against(state) * (1.0 - (least_apart(state) if apart else state.least)):
            return False
    evidence(state, params, where, state.now)
    if state.now[SCORE] < params.least_score:
        return False
    state.sure_end = state.run_end
    for k in range(EVIDENCE):
        state.sure[k] = state.now[k]
    return True


@part
def consider(state: Any, params: Any, how: int, out: Any) -> None:
    """The run has become longer or is over: raise it, or make it high, when that is due."""
    enough = weigh(state, params, place(state))
    if (
        state.onset == NEVER
        and enough
        and (how != GOES_ON or state.now[SCORE] >= params.at_once)
        and not waits(state, how)
    ):
        raise_it(state, out)
    if state.onset != NEVER and not state.high and state.sure_end - state.run >= params.high:
        state.high = 1
        emit(out, 0, ESCALATED, state.onset, state.run + params.high, HIGH, waiting.numbers(state.sure))


@part
def raise_it(state: Any, out: Any) -> None:
    """Raise the run for what it was worth when it last was enough."""
    onset = state.run
    state.onset = emit(out, 0, RAISED, onset, onset, MEDIUM, waiting.numbers(state.sure))


@part
def end_run(state: Any, params: Any, where: int, out: Any) -> None:
    """The run is over."""
    if state.onset != NEVER:
        priority = HIGH if state.high else MEDIUM
        if not weigh(state, params, where):
            state.run_end = state.sure_end
            state.sure[PLACE] = where
        emit(out, 0, CLEARED, state.onset, state.run_end, priority, waiting.numbers(state.sure))
        state.blank += state.run_end - state.run
        if state.stepped:
            # At its deepest: by then the line has emptied.
            baseline.learn_fall(state.loaded, 1.0 - state.deepest / against(state))
    drop_run(state)


@part
def drop_run(state: Any) -> None:
    """There is no run."""
    state.onset = NEVER
    state.high = 0
    state.held = 0
    state.stepped = 0
    state.sure_end = NEVER
    state.run = NEVER
    state.run_sum = 0.0
    state.run_n = 0.0


@part
def resolve(state: Any, params: Any, how: float, out: Any) -> None:
    """What became of the suspicion that waits: `how` is BORNE_OUT, OPEN or REFUTED."""
    deferred = state.waiting
    deferred.on = 0
    evidence = deferred.evidence
    evidence[RESOLVED] = how
    evidence[SCORE] = score(evidence, params.weights)
    judged = deferred.note[0]
    blank = deferred.note[1]
    why = deferred.note[8]
    if how == REFUTED:
        if deferred.whole:
            judged = 0.0
            why = PUMP_CHANGED
    elif evidence[SCORE] >= params.least_score:
        waiting.raise_it(deferred, out)
        blank += deferred.end - deferred.onset
        if deferred.stepped:
            baseline.learn_fall(state.loaded, 1.0 - deferred.deepest / deferred.against)
    waiting.note_bout(deferred, blank, judged, why, out)


@part
def wait(state: Any, params: Any, where: int) -> None:
    """Leave the run to the next bout: `note` comes later."""
    deferred = state.waiting
    deferred.on = 1
    deferred.until = state.fire_end + waiting.WITHIN
    deferred.onset = state.run
    deferred.end = state.run_end
    deferred.high_at = state.run + params.high if state.run_end - state.run >= params.high else NEVER
    deferred.whole = where == WHOLE
    deferred.level = run_level(state)
    deferred.against = against(state)
    deferred.deepest = state.deepest
    deferred.stepped = state.stepped
    evidence(state, params, where, deferred.evidence)
    deferred.bout = state.bout
    deferred.fire_end = state.fire_end


@part
def throttle_again(state: Any) -> bool:
    """Whether this bout was as low all through as the run that waits: the pump had changed before both."""
    deferred = state.waiting
    if not deferred.on or state.run != state.bout or state.stepped:
        return False
    level = run_level(state)
    return 0.75 * deferred.level < level < 0.5 * (deferred.level + deferred.against)  # type: ignore[no-any-return]
