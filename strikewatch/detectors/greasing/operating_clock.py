"""The operating clock of a hammer and the greasings that reset it: the parts of `grease`.

Whether a silence counts is known only when the next row comes, so a greasing within it waits until then.

The clock is the total operating time (`clock` + `base`) since the latest mark of any greasing in the history. The
mark of a greasing is the total at which it took effect, less what may have been worked between the greasing and its
entry. A correction removes a greasing from the history or changes it, and the clock follows from what is left.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.base import FOREVER, fields_of
from strikewatch.detectors.kernels import (
    CLEARED,
    CORRECTED,
    ESCALATED,
    GREASING,
    HIGH,
    LOW,
    MEDIUM,
    NEVER,
    RAISED,
    emit,
    part,
)
from strikewatch.detectors.maintenance import corrections
from strikewatch.detectors.maintenance.corrections import (
    AT,
    KEPT,
    KIND,
    NO_ENTRY,
    TIME,
    append,
    find,
    remove,
    replace_or_remove,
    with_history,
)

WAITING: Final = 8
"""Greasings that can wait within one silence; with one more the first takes effect at once."""

TOTAL: Final = corrections.COLUMNS  # total operating time when it took effect, ns
MARK: Final = TOTAL + 1  # total operating time at which it sets the clock to zero, ns
NIPPLES: Final = TOTAL + 2
STROKES: Final = TOTAL + 3
MANUAL: Final = TOTAL + 4

FIRST: Final = np.dtype(
    [
        ("clock", "<i8"),  # operating ns since greasing
        ("done", "<i8"),  # the clock counts all time up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),
        ("has_engine_rpm", "<i8"),
        ("due_onset", "<i8"),
        ("overdue_onset", "<i8"),
        ("high", "<i8"),
        ("short_onset", "<i8"),
        ("short_strokes", "<i8"),
        ("short_nipples", "<i8"),
        ("waiting", "<i8"),  # number of waiting greasings; their fields:
        ("at", "<i8", (WAITING,)),
        ("age", "<i8", (WAITING,)),
        ("nipples", "<i8", (WAITING,)),
        ("strokes", "<i8", (WAITING,)),
        ("manual", "<i8", (WAITING,)),
    ]
)
"""Version 1 of the state, without a history."""
STATE: Final = with_history(
    FIRST,
    MANUAL + 1,
    ("corrects", "<i8", (WAITING,)),  # whether it corrects another greasing
    ("wrong_time", "<i8", (WAITING,)),  # time of the corrected greasing, as entered
    ("replaces", "<i8", (WAITING,)),  # whether it is a greasing itself
    ("base", "<i8"),  # total operating ns at which the clock was zero
    ("floor", "<i8"),  # latest mark of greasings no longer kept
)
PARAMS: Final = np.dtype(
    [
        ("due", "<i8"),
        ("overdue", "<i8"),
        ("high", "<i8"),
        ("by_firing", "<i8"),
        ("working_rpm", "<f8"),
        ("steady", "<i8"),
        ("nipples", "<i8"),
        ("strokes_each", "<i8"),
        ("strokes_single", "<i8"),
    ]
)

DUE: Final = 0
OVERDUE: Final = 1
SHORT: Final = 2


@part
def _run(state: Any, params: Any, start: int, end: int, out: Any) -> None:
    """Run the clock from `start` to `end`, and raise each limit that it reaches at its exact instant."""
    before = state.clock
    state.clock = before + (end - start)
    if state.due_onset == NEVER and state.clock >= params.due:
        at = start + max(0, params.due - before)
        state.due_onset = emit(out, DUE, RAISED, at, at, LOW, (float(max(params.due, before)),))
    if state.overdue_onset == NEVER and state.clock >= params.overdue:
        at = start + max(0, params.overdue - before)
        state.high = 1 if before >= params.high else 0
        priority = HIGH if state.high else MEDIUM
        evidence = (float(max(params.overdue, before)),)
        state.overdue_onset = emit(out, OVERDUE, RAISED, at, at, priority, evidence)
    if state.overdue_onset != NEVER and not state.high and state.clock >= params.high:
        state.high = 1
        at = start + max(0, params.high - before)
        emit(out, OVERDUE, ESCALATED, state.overdue_onset, at, HIGH, (float(max(params.high, before)),))


@part
def _clear_overdue(state: Any, at: int, clock: int, out: Any) -> None:
    priority = HIGH if state.high else MEDIUM
    state.overdue_onset = emit(out, OVERDUE, CLEARED, state.overdue_onset, at, priority, (float(clock),))
    state.high = 0


@part
def _grease(state: Any, params: Any, k: int, out: Any) -> None:
    """Apply waiting greasing k; the clock is complete up to its instant."""
    at = state.at[k]
    state.due_onset = emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(state.clock),))
    _clear_overdue(state, at, state.clock, out)
    # If it was entered only later, the carrier may have worked all the time since.
    total = state.clock + state.base
    _keep(state, k, total, total - state.age[k])
    state.clock = min(state.clock, state.age[k])
    state.base = total - state.clock
    _run(state, params, at, at, out)
    _clear_short(state, at, out)
    _check_strokes(state, params, at, out)


@part
def _keep(state: Any, k: int, total: int, mark: int) -> None:
    """Add waiting greasing k to the history; if that is full, its oldest entry becomes final."""
    if state.count == KEPT:
        state.floor = max(state.floor, state.kept[0, MARK])
        remove(state, 0)
    j = append(state, GREASING, 0, state.at[k])
    state.kept[j, TOTAL] = total
    _write(state, j, k, mark)


@part
def _write(state: Any, j: int, k: int, mark: int) -> None:
    """Write waiting greasing k to row j of the history."""
    state.kept[j, TIME] = state.at[k] - state.age[k]
    state.kept[j, MARK] = mark
    state.kept[j, NIPPLES] = state.nipples[k]
    state.kept[j, STROKES] = state.strokes[k]
    state.kept[j, MANUAL] = state.manual[k]


@part
def _clear_short(state: Any, at: int, out: Any) -> None:
    evidence = (float(state.short_strokes), float(state.short_nipples))
    state.short_onset = emit(out, SHORT, CLEARED, state.short_onset, at, LOW, evidence)


@part
def _check_strokes(state: Any, params: Any, at: int, out: Any) -> None:
    """Raise or clear `grease_short` by the strokes of the newest greasing."""
    j = state.count - 1
    strokes, needed = 0, 0
    short = False
    if j >= 0 and state.kept[j, MANUAL] and state.kept[j, NIPPLES] > 0:
        given = state.kept[j, NIPPLES]
        needed = params.nipples if params.nipples > 0 else given
        strokes = state.kept[j, STROKES] if given >= needed else 0
        short = strokes < (params.strokes_single if needed == 1 else params.strokes_each)
    if not short:
        _clear_short(state, at, out)
        return
    state.short_strokes = strokes
    state.short_nipples = needed
    if state.short_onset == NEVER:
        state.short_onset = emit(out, SHORT, RAISED, at, at, LOW, (float(strokes), float(needed)))


@part
def _correct(state: Any, params: Any, k: int, out: Any) -> None:
    """Apply waiting correction k; the clock is complete up to its instant.

    A replacement that is taken as a late entry still counts the work that the wrong one proves to have come before it.
    """
    at = state.at[k]
    j = find(state, GREASING, state.wrong_time[k])
    if j < 0:
        state.not_found += 1
        if state.replaces[k]:
            _grease(state, params, k, out)
        return
    before = state.clock
    total = before + state.base
    worked = state.kept[j, TOTAL]
    happened = at - state.age[k]
    if replace_or_remove(state, j, state.replaces[k] != 0, happened):
        _write(state, j, k, worked - (state.kept[j, AT] - happened))
    elif state.replaces[k]:
        _keep(state, k, total, max(total - state.age[k], worked))
    base = state.floor
    for j in range(state.count):
        base = max(base, state.kept[j, MARK])
    state.base = base
    state.clock = total - base
    if state.clock < params.due:
        state.due_onset = emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(before),))
    if state.clock < params.overdue:
        _clear_overdue(state, at, before, out)
    _run(state, params, at, at, out)
    _check_strokes(state, params, at, out)


@part
def enqueue(state: Any, events: Any, event_index: int, last: int) -> int:
    """Add greasings from `event_index` on to the waiting ones, as many as fit; return the next event's index."""
    while event_index < last and state.waiting < WAITING:
        event = events[event_index]
        corrects = event.kind == CORRECTED and event.wrong == GREASING
        if event.kind == GREASING or corrects:
            k = state.waiting
            state.corrects[k] = corrects
            state.wrong_time[k] = event.wrong_time
            state.replaces[k] = event.kind == GREASING or event.right == GREASING
            state.at[k] = event.at
            state.age[k] = event.age
            state.nipples[k] = event.nipples
            state.strokes[k] = event.strokes
            state.manual[k] = event.manual
            state.waiting = k + 1
        event_index += 1
    return event_index


@part
def _move(state: Any, source: int, target: int) -> None:
    """Move a waiting greasing; beyond the last all is zero, so that equal states are equal bytes."""
    exists = source < state.waiting
    state.at[target] = state.at[source] if exists else 0
    state.age[target] = state.age[source] if exists else 0
    state.nipples[target] = state.nipples[source] if exists else 0
    state.strokes[target] = state.strokes[source] if exists else 0
    state.manual[target] = state.manual[source] if exists else 0
    state.corrects[target] = state.corrects[source] if exists else 0
    state.wrong_time[target] = state.wrong_time[source] if exists else 0
    state.replaces[target] = state.replaces[source] if exists else 0


@part
def advance(state: Any, params: Any, end: int, runs_until: int, out: Any) -> None:
    """Advance the clock from `done` to `end`, running up to `runs_until`, with the greasings on the way."""
    start = state.done if state.done != NEVER else end
    k = 0
    while k < state.waiting and state.at[k] <= end:
        stop = min(max(state.at[k], start), runs_until)
        if stop > start:
            _run(state, params, start, stop, out)
        start = max(start, state.at[k])
        if state.corrects[k]:
            _correct(state, params, k, out)
        else:
            _grease(state, params, k, out)
        k += 1
    if k > 0:
        for j in range(WAITING):
            _move(state, j + k, j)
        state.waiting -= k
    stop = min(end, runs_until)
    if stop > start:
        _run(state, params, start, stop, out)
    state.done = max(state.done, end)


@part
def next_event_at(state: Any) -> int:
    """Return when the oldest waiting greasing takes effect; FOREVER if none waits."""
    return state.at[0] if state.waiting > 0 else FOREVER


@part
def next_limit(state: Any, params: Any) -> int:
    """Return the clock reading at which the next fault is raised or escalated."""
    if state.due_onset == NEVER:
        return min(params.due, params.overdue)  # type: ignore[no-any-return]
    if state.overdue_onset == NEVER:
        return params.overdue  # type: ignore[no-any-return]
    return FOREVER if state.high else params.high


def from_first(old: Any) -> dict[str, Any]:
    """Convert a record of version 1. Earlier greasings can no longer be corrected."""
    fields = fields_of(old)
    if old["short_onset"] == NEVER:
        return fields
    # The last greasing had too few strokes: it is kept to say so, but no correction can refer to it.
    kept = np.zeros((KEPT, MANUAL + 1), np.int64)
    kept[0, [KIND, NIPPLES, STROKES, MANUAL]] = NO_ENTRY, old["short_nipples"], old["short_strokes"], 1
    return {**fields, "kept": kept, "count": 1}
