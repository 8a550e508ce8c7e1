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
def place(s: Any) -> int:
    """Where in its bout a run that goes on lies."""
    return START if s.run == s.bout else MIDDLE


@part
def throttled(s: Any) -> bool:
    """Whether a throttle may have let the level of the run down, as far as is known: the next bout tells."""
    return s.rpm == 0.0 and run_level(s) > against(s) * (1.0 - waiting.THROTTLE)


@part
def waits(s: Any, how: int) -> bool:
    """Whether the pump may have changed: low until now or until the release, and the engine speed not known, or low all
    through the bout and the same level already in bouts before."""
    if how == ROSE:
        return False
    if s.run == s.bout and not s.stepped:
        before = s.loaded.asides if abs(s.recent / s.loaded.aside - 1.0) < baseline.SAME else 0
        s.held = before >= (1 if s.rpm == 0.0 else 3)
        if s.held or how == GOES_ON:
            return True
    return throttled(s)


@part
def weigh(s: Any, p: Any, where: int) -> bool:
    """Bring the evidence of the run up to date; whether it is worth a suspicion."""
    if s.run_end - s.run < p.blank_min or not known(s, p):
        return False
    if s.onset == NEVER:
        apart = s.run == s.bout and not (s.stepped and ramp_up.known(s.startup))
        if run_level(s) >= against(s) * (1.0 - (least_apart(s) if apart else s.least)):
            return False
    evidence(s, p, where, s.now)
    if s.now[SCORE] < p.least_score:
        return False
    s.sure_end = s.run_end
    for k in range(EVIDENCE):
        s.sure[k] = s.now[k]
    return True


@part
def consider(s: Any, p: Any, how: int, out: Any, n: int, g: int) -> int:
    """The run has become longer or is over: raise it, or make it high, when that is due."""
    enough = weigh(s, p, place(s))
    if s.onset == NEVER and enough and (how != GOES_ON or s.now[SCORE] >= p.at_once) and not waits(s, how):
        n = raise_it(s, out, n, g)
    if s.onset != NEVER and not s.high and s.sure_end - s.run >= p.high:
        s.high = 1
        n = emit(out, n, g, 0, ESCALATED, s.onset, s.run + p.high, HIGH, waiting.numbers(s.sure))
    return n


@part
def raise_it(s: Any, out: Any, n: int, g: int) -> int:
    """Raise the run for what it was worth when it last was enough."""
    s.onset = s.run
    return emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, waiting.numbers(s.sure))  # type: ignore[no-any-return]


@part
def end_run(s: Any, p: Any, where: int, out: Any, n: int, g: int) -> int:
    """The run is over."""
    if s.onset != NEVER:
        priority = HIGH if s.high else MEDIUM
        if not weigh(s, p, where):
            s.run_end = s.sure_end
            s.sure[PLACE] = where
        n = emit(out, n, g, 0, CLEARED, s.onset, s.run_end, priority, waiting.numbers(s.sure))
        s.blank += s.run_end - s.run
        if s.stepped:
            # At its deepest: by then the line has emptied.
            baseline.learn_fall(s.loaded, 1.0 - s.deepest / against(s))
    drop_run(s)
    return n


@part
def drop_run(s: Any) -> None:
    """There is no run."""
    s.onset = NEVER
    s.high = 0
    s.held = 0
    s.stepped = 0
    s.sure_end = NEVER
    s.run = NEVER
    s.run_sum = 0.0
    s.run_n = 0.0


@part
def resolve(s: Any, p: Any, how: float, out: Any, n: int, g: int) -> int:
    """What became of the suspicion that waits: `how` is BORNE_OUT, OPEN or REFUTED."""
    w = s.waiting
    w.on = 0
    x = w.evidence
    x[RESOLVED] = how
    x[SCORE] = score(x, p.weights)
    judged = w.note[0]
    blank = w.note[1]
    why = w.note[8]
    if how == REFUTED:
        if w.whole:
            judged = 0.0
            why = PUMP_CHANGED
    elif x[SCORE] >= p.least_score:
        n = waiting.raise_it(w, out, n, g)
        blank += w.end - w.onset
        if w.stepped:
            baseline.learn_fall(s.loaded, 1.0 - w.deepest / w.against)
    return waiting.note_bout(w, blank, judged, why, out, n, g)


@part
def wait(s: Any, p: Any, where: int) -> None:
    """Leave the run to the next bout: `note` comes later."""
    w = s.waiting
    w.on = 1
    w.until = s.fire_end + waiting.WITHIN
    w.onset = s.run
    w.end = s.run_end
    w.high_at = s.run + p.high if s.run_end - s.run >= p.high else NEVER
    w.whole = where == WHOLE
    w.level = run_level(s)
    w.against = against(s)
    w.deepest = s.deepest
    w.stepped = s.stepped
    evidence(s, p, where, w.evidence)
    w.bout = s.bout
    w.fire_end = s.fire_end


@part
def throttle_again(s: Any) -> bool:
    """Whether this bout was as low all through as the run that waits: the pump had changed before both."""
    w = s.waiting
    if not w.on or s.run != s.bout or s.stepped:
        return False
    level = run_level(s)
    return 0.75 * w.level < level < 0.5 * (w.level + w.against)  # type: ignore[no-any-return]
