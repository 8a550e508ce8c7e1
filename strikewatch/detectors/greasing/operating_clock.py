"""The operating clock of a hammer, and the greasings that set it to zero; what `grease` is made of.

Whether a silence counts is known only when the next row comes, so a greasing within it waits here until then.

The clock is the operating time in all (`clock` + `base`) since the latest mark of any greasing on record: its mark is
the operating time at which it took effect, less what may have been worked since it happened. A correction takes a
greasing out of that history, or changes it where it stands, and the clock follows from what is left.
"""

from typing import Any, Final

import numpy as np

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
from strikewatch.detectors.maintenance.corrections import AT, KEPT, KIND, TIME, find, remove

WAITING: Final = 8
"""Greasings that one silence of a few seconds may hold; with a ninth the first is taken at once."""

TOTAL: Final = corrections.COLUMNS  # operating time in all when it took effect, ns
MARK: Final = TOTAL + 1  # the operating time from which the clock counts with it
NIPPLES: Final = TOTAL + 2
STROKES: Final = TOTAL + 3
MANUAL: Final = TOTAL + 4

FIRST: Final = np.dtype(
    [
        ("clock", "<i8"),  # operating ns since greasing
        ("done", "<i8"),  # the clock is right up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),
        ("has_engine_rpm", "<i8"),
        ("due_onset", "<i8"),
        ("overdue_onset", "<i8"),
        ("high", "<i8"),
        ("short_onset", "<i8"),
        ("short_strokes", "<i8"),
        ("short_nipples", "<i8"),
        ("waiting", "<i8"),
        ("at", "<i8", (WAITING,)),
        ("age", "<i8", (WAITING,)),
        ("nipples", "<i8", (WAITING,)),
        ("strokes", "<i8", (WAITING,)),
        ("manual", "<i8", (WAITING,)),
    ]
)
"""Version 1 of the state, which had no history."""
STATE: Final = np.dtype(
    [
        *((name, FIRST[name]) for name in FIRST.names or ()),
        ("corrects", "<i8", (WAITING,)),  # whether it corrects another,
        ("wrong_time", "<i8", (WAITING,)),  # and when that was said to have happened
        ("replaces", "<i8", (WAITING,)),  # whether it is a greasing itself
        ("base", "<i8"),  # operating ns in all at which the clock was zero
        ("floor", "<i8"),  # the latest mark of greasings no longer kept
        ("count", "<i8"),
        ("kept", "<i8", (KEPT, MANUAL + 1)),  # greasings in the order in which they took effect
        ("not_found", "<i8"),  # corrections of what is not kept
    ]
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

_NO_NAME: Final = -3
DUE: Final = 0
OVERDUE: Final = 1
SHORT: Final = 2
FOREVER: Final = -NEVER


@part
def run_clock(state: Any, params: Any, start: int, end: int, out: Any) -> None:
    """The clock runs from lo to hi; whatever it reaches on the way is found at its exact instant."""
    before = state.clock
    state.clock = before + (end - start)
    if state.due_onset == NEVER and state.clock >= params.due:
        onset = start + max(0, params.due - before)
        state.due_onset = emit(out, DUE, RAISED, onset, onset, LOW, (float(max(params.due, before)),))
    if state.overdue_onset == NEVER and state.clock >= params.overdue:
        state.overdue_onset = start + max(0, params.overdue - before)
        state.high = 1 if before >= params.high else 0
        emit(
            out,
            OVERDUE,
            RAISED,
            state.overdue_onset,
            state.overdue_onset,
            HIGH if state.high else MEDIUM,
            (float(max(params.overdue, before)),),
        )
    if state.overdue_onset != NEVER and not state.high and state.clock >= params.high:
        state.high = 1
        at = start + max(0, params.high - before)
        emit(out, OVERDUE, ESCALATED, state.overdue_onset, at, HIGH, (float(max(params.high, before)),))


@part
def _grease(state: Any, params: Any, k: int, out: Any) -> None:
    """Apply the waiting greasing number k, the clock being right up to its instant."""
    at = state.at[k]
    clock = float(state.clock)
    if state.due_onset != NEVER:
        emit(out, DUE, CLEARED, state.due_onset, at, LOW, (clock,))
    if state.overdue_onset != NEVER:
        emit(out, OVERDUE, CLEARED, state.overdue_onset, at, HIGH if state.high else MEDIUM, (clock,))
    state.due_onset = NEVER
    state.overdue_onset = NEVER
    state.high = 0
    # Told of only later: the carrier may have worked all the while since.
    total = state.clock + state.base
    _keep(state, k, total, total - state.age[k])
    state.clock = min(state.clock, state.age[k])
    state.base = total - state.clock
    run_clock(state, params, at, at, out)
    evidence = (float(state.short_strokes), float(state.short_nipples))
    state.short_onset = emit(out, SHORT, CLEARED, state.short_onset, at, LOW, evidence)
    _judge_strokes(state, params, at, out)


@part
def _keep(state: Any, k: int, total: int, mark: int) -> None:
    """Put the waiting greasing number k on record; of more than can be kept the oldest counts for good."""
    if state.count == KEPT:
        state.floor = max(state.floor, state.kept[0, MARK])
        state.count = remove(state.kept, state.count, 0)
    j = state.count
    state.count = j + 1
    state.kept[j, KIND] = GREASING
    state.kept[j, AT] = state.at[k]
    state.kept[j, TOTAL] = total
    _write(state, j, k, mark)


@part
def _write(state: Any, j: int, k: int, mark: int) -> None:
    """What kept greasing j says is from now on what the waiting one k says."""
    state.kept[j, TIME] = state.at[k] - state.age[k]
    state.kept[j, MARK] = mark
    state.kept[j, NIPPLES] = state.nipples[k]
    state.kept[j, STROKES] = state.strokes[k]
    state.kept[j, MANUAL] = state.manual[k]


@part
def _judge_strokes(state: Any, params: Any, at: int, out: Any) -> None:
    """Whether the newest greasing had strokes enough."""
    j = state.count - 1
    strokes, needed = 0, 0
    short = False
    if j >= 0 and state.kept[j, MANUAL] and state.kept[j, NIPPLES] > 0:
        told = state.kept[j, NIPPLES]
        needed = params.nipples if params.nipples > 0 else told
        strokes = state.kept[j, STROKES] if told >= needed else 0
        short = strokes < (params.strokes_single if needed == 1 else params.strokes_each)
    if state.short_onset != NEVER and not short:
        evidence = (float(state.short_strokes), float(state.short_nipples))
        emit(out, SHORT, CLEARED, state.short_onset, at, LOW, evidence)
        state.short_onset = NEVER
    if short:
        state.short_strokes = strokes
        state.short_nipples = needed
        if state.short_onset == NEVER:
            state.short_onset = emit(out, SHORT, RAISED, at, at, LOW, (float(strokes), float(needed)))


@part
def _correct(state: Any, params: Any, k: int, out: Any) -> None:
    """Apply the waiting correction number k, the clock being right up to its instant.

    A greasing that happened before the wrong one took effect stands in its place; one that happened later is taken
    like any that is told of late, but for what the wrong one shows to have been worked before it.
    """
    at = state.at[k]
    j = find(state.kept, state.count, GREASING, state.wrong_time[k])
    if j < 0:
        state.not_found += 1
        if state.replaces[k]:
            _grease(state, params, k, out)
        return
    before = state.clock
    total = before + state.base
    worked = state.kept[j, TOTAL]
    happened = at - state.age[k]
    if state.replaces[k] and happened <= state.kept[j, AT]:
        _write(state, j, k, worked - (state.kept[j, AT] - happened))
    else:
        state.count = remove(state.kept, state.count, j)
        if state.replaces[k]:
            _keep(state, k, total, max(total - state.age[k], worked))
    base = state.floor
    for j in range(state.count):
        base = max(base, state.kept[j, MARK])
    state.base = base
    state.clock = total - base
    if state.due_onset != NEVER and state.clock < params.due:
        emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(before),))
        state.due_onset = NEVER
    if state.overdue_onset != NEVER and state.clock < params.overdue:
        priority = HIGH if state.high else MEDIUM
        emit(out, OVERDUE, CLEARED, state.overdue_onset, at, priority, (float(before),))
        state.overdue_onset = NEVER
        state.high = 0
    run_clock(state, params, at, at, out)
    _judge_strokes(state, params, at, out)


@part
def queue(state: Any, events: Any, event_index: int, last: int) -> int:
    """Let greasings from event number e on wait, as many as there is room for; the number of the next event."""
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
    """Move a waiting greasing up; beyond the last there are blank ones, so that equal states are equal bytes."""
    there = source < state.waiting
    state.at[target] = state.at[source] if there else 0
    state.age[target] = state.age[source] if there else 0
    state.nipples[target] = state.nipples[source] if there else 0
    state.strokes[target] = state.strokes[source] if there else 0
    state.manual[target] = state.manual[source] if there else 0
    state.corrects[target] = state.corrects[source] if there else 0
    state.wrong_time[target] = state.wrong_time[source] if there else 0
    state.replaces[target] = state.replaces[source] if there else 0


@part
def account(state: Any, params: Any, end: int, runs_until: int, out: Any) -> None:
    """Bring the clock from `done` to hi, running up to `runs_until`, with the greasings on the way."""
    start = state.done if state.done != NEVER else end
    k = 0
    while k < state.waiting and state.at[k] <= end:
        stop = min(max(state.at[k], start), runs_until)
        if stop > start:
            run_clock(state, params, start, stop, out)
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
        run_clock(state, params, start, stop, out)
    state.done = max(state.done, end)


@part
def next_event(state: Any) -> int:
    """When the oldest waiting greasing takes effect."""
    return state.at[0] if state.waiting > 0 else FOREVER


@part
def quiet_until(state: Any, params: Any) -> int:
    """Up to what reading of the clock nothing can happen but that it runs on, if no event does: the short way."""
    if state.due_onset == NEVER:
        return min(params.due, params.overdue)  # type: ignore[no-any-return]
    if state.overdue_onset == NEVER:
        return params.overdue  # type: ignore[no-any-return]
    return FOREVER if state.high else params.high


def from_first(old: Any) -> dict[str, Any]:
    """The state that follows from one of version 1: nothing that was greased before can be corrected."""
    fields = {name: old[name] for name in FIRST.names or ()}
    if old["short_onset"] == NEVER:
        return fields
    # The last greasing had too few strokes: it is kept for that, without a name to correct it by.
    kept = np.zeros((KEPT, MANUAL + 1), np.int64)
    kept[0, [KIND, NIPPLES, STROKES, MANUAL]] = _NO_NAME, old["short_nipples"], old["short_strokes"], 1
    return {**fields, "kept": kept, "count": 1}
