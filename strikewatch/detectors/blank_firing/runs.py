"""Runs of suspicious windows: scored while they grow, raised, ended, or deferred to the next bout.

Where engine speed is unknown, a level that falls no further than a throttle can lower it, and stays low until the
release, may be a throttle's. The next bout decides: at the loaded level again, the tool was not loaded; still low, the
pump had changed. Until then the suspicion is deferred in `state.waiting`, with the measurements of its bout. If no bout
follows in time, or the next one does not decide, it is raised with the score that it has.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.bout import REASONS
from strikewatch.detectors.blank_firing import baseline, ramp_up
from strikewatch.detectors.blank_firing.score import (
    PLACE,
    REFUTED,
    RESOLVED,
    SCORE,
    evidence,
    reference_level,
    run_level,
    score,
)
from strikewatch.detectors.blank_firing.state import MIDDLE, START, WHOLE, known, least_start_change
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    EVIDENCE,
    HIGH,
    MEASURED,
    MEDIUM,
    NEVER,
    RAISED,
    emit_array,
    part,
    scratch,
)

CONTINUES: Final = 0
ROSE: Final = 1
RELEASED: Final = 2
"""Why a run is considered: it continues; the level rose again inside the bout; the bout is over."""
WITHIN: Final = 60_000_000_000
"""How long after the release the next bout is waited for, ns."""
THROTTLE: Final = 0.5
"""A throttle lowers the level by less than this share (common practice, no published source: engines work down to
about 70 % of their rated speed, and pressure goes as the 1.5th to 2nd power of it)."""
PUMP_CHANGED: Final = float(REASONS.index("pump changed"))
BOUT_JUDGED: Final = 0
BOUT_BLANK: Final = 1
BOUT_REASON: Final = 8
"""Places in the numbers of a bout."""


@part
def place_of(state: Any) -> int:
    """Return where in its bout a run that continues lies."""
    return START if state.run == state.bout else MIDDLE


@part
def may_be_throttle(state: Any) -> bool:
    """Tell whether, as far as is known, a throttle may have lowered the level of the run."""
    return state.rpm == 0.0 and run_level(state) > reference_level(state) * (1.0 - THROTTLE)


@part
def must_wait(state: Any, cause: int) -> bool:
    """Tell whether the pump may have changed, so that the run cannot be raised yet.

    It may have if the level is low until now or until the release and the engine speed is unknown, or if it is low all
    through the bout and previous bouts had the same level; then `pump_changed` is set.
    """
    if cause == ROSE:
        return False
    if state.run == state.bout and not state.stepped:
        same_level = abs(state.recent / state.baseline.other_level - 1.0) < baseline.SAME
        before = state.baseline.other_bouts if same_level else 0
        state.pump_changed = before >= (1 if state.rpm == 0.0 else 3)
        if state.pump_changed or cause == CONTINUES:
            return True
    return may_be_throttle(state)


@part
def update_evidence(state: Any, params: Any, place: int) -> bool:
    """Update the evidence of the run; return whether its score reaches the floor."""
    if state.run_end - state.run < params.blank_min or not known(state, params):
        return False
    if state.onset == NEVER:
        least = state.least_change
        if state.run == state.bout and not (state.stepped and ramp_up.known(state.ramp_up)):
            least = least_start_change(state)
        if run_level(state) >= reference_level(state) * (1.0 - least):
            return False
    numbers = scratch(EVIDENCE, np.float64)
    evidence(state, params, place, numbers)
    state.score = numbers[SCORE]
    if state.score < params.least_score:
        return False
    state.valid_end = state.run_end
    for k in range(EVIDENCE):
        state.valid[k] = numbers[k]
    return True


@part
def raise_if_due(state: Any, params: Any, cause: int, out: Any) -> None:
    """Raise the run, or escalate it, if that is due now that it has become longer or is over."""
    enough = update_evidence(state, params, place_of(state))
    if (
        state.onset == NEVER
        and enough
        and (cause != CONTINUES or state.score >= params.at_once)
        and not must_wait(state, cause)
    ):
        raise_run(state, out)
    if state.onset != NEVER and not state.high and state.valid_end - state.run >= params.high:
        state.high = 1
        emit_array(out, 0, ESCALATED, state.onset, state.run + params.high, HIGH, state.valid)


@part
def raise_run(state: Any, out: Any) -> None:
    """Raise the run with the evidence with which its score last reached the floor."""
    onset = state.run
    state.onset = emit_array(out, 0, RAISED, onset, onset, MEDIUM, state.valid)


@part
def end_run(state: Any, params: Any, place: int, out: Any) -> None:
    """End the run."""
    if state.onset != NEVER:
        priority = HIGH if state.high else MEDIUM
        if not update_evidence(state, params, place):
            state.run_end = state.valid_end
            state.valid[PLACE] = place
        emit_array(out, 0, CLEARED, state.onset, state.run_end, priority, state.valid)
        state.blank += state.run_end - state.run
        if state.stepped:
            # At its lowest, where the line has emptied.
            baseline.learn_fall(state.baseline, 1.0 - state.deepest / reference_level(state))
    drop_run(state)


@part
def drop_run(state: Any) -> None:
    """Discard the run."""
    state.onset = NEVER
    state.high = 0
    state.pump_changed = 0
    state.stepped = 0
    state.valid_end = NEVER
    state.run = NEVER
    state.run_sum = 0.0
    state.run_n = 0.0


@part
def emit_deferred(deferred: Any, out: Any) -> None:
    """Write the suspicion: raised and cleared."""
    evidence = deferred.evidence
    priority = HIGH if deferred.high_at != NEVER else MEDIUM
    emit_array(out, 0, RAISED, deferred.onset, deferred.onset, MEDIUM, evidence)
    if deferred.high_at != NEVER:
        emit_array(out, 0, ESCALATED, deferred.onset, deferred.high_at, HIGH, evidence)
    emit_array(out, 0, CLEARED, deferred.onset, deferred.end, priority, evidence)


@part
def resolve(state: Any, params: Any, outcome: float, out: Any) -> None:
    """Decide the deferred suspicion: `outcome` is CONFIRMED, OPEN or REFUTED."""
    deferred = state.waiting
    deferred.on = 0
    evidence = deferred.evidence
    evidence[RESOLVED] = outcome
    evidence[SCORE] = score(evidence, params.weights)
    numbers = deferred.bout_numbers
    if outcome == REFUTED:
        if deferred.whole:
            numbers[BOUT_JUDGED] = 0.0
            numbers[BOUT_REASON] = PUMP_CHANGED
    elif evidence[SCORE] >= params.least_score:
        emit_deferred(deferred, out)
        numbers[BOUT_BLANK] += deferred.end - deferred.onset
        if deferred.stepped:
            baseline.learn_fall(state.baseline, 1.0 - deferred.deepest / deferred.reference)
    emit_array(out, 0, MEASURED, deferred.bout, deferred.fire_end, 0, numbers)


@part
def defer(state: Any, params: Any, place: int) -> None:
    """Defer the run to the next bout; `end_bout` adds the measurements of its bout."""
    deferred = state.waiting
    deferred.on = 1
    deferred.until = state.fire_end + WITHIN
    deferred.onset = state.run
    deferred.end = state.run_end
    deferred.high_at = state.run + params.high if state.run_end - state.run >= params.high else NEVER
    deferred.whole = place == WHOLE
    deferred.level = run_level(state)
    deferred.reference = reference_level(state)
    deferred.deepest = state.deepest
    deferred.stepped = state.stepped
    evidence(state, params, place, deferred.evidence)
    deferred.bout = state.bout
    deferred.fire_end = state.fire_end


@part
def repeats_deferred(state: Any) -> bool:
    """Tell whether this bout was as low all through as the deferred run: the pump had changed before both."""
    deferred = state.waiting
    if not deferred.on or state.run != state.bout or state.stepped:
        return False
    level = run_level(state)
    return 0.75 * deferred.level < level < 0.5 * (deferred.level + deferred.reference)  # type: ignore[no-any-return]
