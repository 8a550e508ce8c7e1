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
def run_clock(s: Any, p: Any, lo: int, hi: int, out: Any, n: int, g: int) -> int:
    """The clock runs from lo to hi; whatever it reaches on the way is found at its exact instant."""
    before = s.clock
    s.clock = before + (hi - lo)
    if s.due_onset == NEVER and s.clock >= p.due:
        s.due_onset = lo + max(0, p.due - before)
        n = emit(out, n, g, DUE, RAISED, s.due_onset, s.due_onset, LOW, (float(max(p.due, before)),))
    if s.overdue_onset == NEVER and s.clock >= p.overdue:
        s.overdue_onset = lo + max(0, p.overdue - before)
        s.high = 1 if before >= p.high else 0
        n = emit(
            out,
            n,
            g,
            OVERDUE,
            RAISED,
            s.overdue_onset,
            s.overdue_onset,
            HIGH if s.high else MEDIUM,
            (float(max(p.overdue, before)),),
        )
    if s.overdue_onset != NEVER and not s.high and s.clock >= p.high:
        s.high = 1
        at = lo + max(0, p.high - before)
        n = emit(out, n, g, OVERDUE, ESCALATED, s.overdue_onset, at, HIGH, (float(max(p.high, before)),))
    return n


@part
def _grease(s: Any, p: Any, k: int, out: Any, n: int, g: int) -> int:
    """Apply the waiting greasing number k, the clock being right up to its instant."""
    at = s.at[k]
    clock = float(s.clock)
    if s.due_onset != NEVER:
        n = emit(out, n, g, DUE, CLEARED, s.due_onset, at, LOW, (clock,))
    if s.overdue_onset != NEVER:
        n = emit(out, n, g, OVERDUE, CLEARED, s.overdue_onset, at, HIGH if s.high else MEDIUM, (clock,))
    s.due_onset = NEVER
    s.overdue_onset = NEVER
    s.high = 0
    # Told of only later: the carrier may have worked all the while since.
    total = s.clock + s.base
    _keep(s, k, total, total - s.age[k])
    s.clock = min(s.clock, s.age[k])
    s.base = total - s.clock
    n = run_clock(s, p, at, at, out, n, g)
    if s.short_onset != NEVER:
        evidence = (float(s.short_strokes), float(s.short_nipples))
        n = emit(out, n, g, SHORT, CLEARED, s.short_onset, at, LOW, evidence)
        s.short_onset = NEVER
    return _judge_strokes(s, p, at, out, n, g)


@part
def _keep(s: Any, k: int, total: int, mark: int) -> None:
    """Put the waiting greasing number k on record; of more than can be kept the oldest counts for good."""
    if s.count == KEPT:
        s.floor = max(s.floor, s.kept[0, MARK])
        s.count = remove(s.kept, s.count, 0)
    j = s.count
    s.count = j + 1
    s.kept[j, KIND] = GREASING
    s.kept[j, AT] = s.at[k]
    s.kept[j, TOTAL] = total
    _write(s, j, k, mark)


@part
def _write(s: Any, j: int, k: int, mark: int) -> None:
    """What kept greasing j says is from now on what the waiting one k says."""
    s.kept[j, TIME] = s.at[k] - s.age[k]
    s.kept[j, MARK] = mark
    s.kept[j, NIPPLES] = s.nipples[k]
    s.kept[j, STROKES] = s.strokes[k]
    s.kept[j, MANUAL] = s.manual[k]


@part
def _judge_strokes(s: Any, p: Any, at: int, out: Any, n: int, g: int) -> int:
    """Whether the newest greasing had strokes enough."""
    j = s.count - 1
    strokes, needed = 0, 0
    short = False
    if j >= 0 and s.kept[j, MANUAL] and s.kept[j, NIPPLES] > 0:
        told = s.kept[j, NIPPLES]
        needed = p.nipples if p.nipples > 0 else told
        strokes = s.kept[j, STROKES] if told >= needed else 0
        short = strokes < (p.strokes_single if needed == 1 else p.strokes_each)
    if s.short_onset != NEVER and not short:
        evidence = (float(s.short_strokes), float(s.short_nipples))
        n = emit(out, n, g, SHORT, CLEARED, s.short_onset, at, LOW, evidence)
        s.short_onset = NEVER
    if short:
        s.short_strokes = strokes
        s.short_nipples = needed
        if s.short_onset == NEVER:
            s.short_onset = at
            n = emit(out, n, g, SHORT, RAISED, at, at, LOW, (float(strokes), float(needed)))
    return n


@part
def _correct(s: Any, p: Any, k: int, out: Any, n: int, g: int) -> int:
    """Apply the waiting correction number k, the clock being right up to its instant.

    A greasing that happened before the wrong one took effect stands in its place; one that happened later is taken
    like any that is told of late, but for what the wrong one shows to have been worked before it.
    """
    at = s.at[k]
    j = find(s.kept, s.count, GREASING, s.wrong_time[k])
    if j < 0:
        s.not_found += 1
        return _grease(s, p, k, out, n, g) if s.replaces[k] else n
    before = s.clock
    total = before + s.base
    worked = s.kept[j, TOTAL]
    happened = at - s.age[k]
    if s.replaces[k] and happened <= s.kept[j, AT]:
        _write(s, j, k, worked - (s.kept[j, AT] - happened))
    else:
        s.count = remove(s.kept, s.count, j)
        if s.replaces[k]:
            _keep(s, k, total, max(total - s.age[k], worked))
    base = s.floor
    for j in range(s.count):
        base = max(base, s.kept[j, MARK])
    s.base = base
    s.clock = total - base
    if s.due_onset != NEVER and s.clock < p.due:
        n = emit(out, n, g, DUE, CLEARED, s.due_onset, at, LOW, (float(before),))
        s.due_onset = NEVER
    if s.overdue_onset != NEVER and s.clock < p.overdue:
        priority = HIGH if s.high else MEDIUM
        n = emit(out, n, g, OVERDUE, CLEARED, s.overdue_onset, at, priority, (float(before),))
        s.overdue_onset = NEVER
        s.high = 0
    n = run_clock(s, p, at, at, out, n, g)
    return _judge_strokes(s, p, at, out, n, g)


@part
def queue(s: Any, events: Any, e: int, last: int) -> int:
    """Let greasings from event number e on wait, as many as there is room for; the number of the next event."""
    while e < last and s.waiting < WAITING:
        event = events[e]
        corrects = event.kind == CORRECTED and event.wrong == GREASING
        if event.kind == GREASING or corrects:
            k = s.waiting
            s.corrects[k] = corrects
            s.wrong_time[k] = event.wrong_time
            s.replaces[k] = event.kind == GREASING or event.right == GREASING
            s.at[k] = event.at
            s.age[k] = event.age
            s.nipples[k] = event.nipples
            s.strokes[k] = event.strokes
            s.manual[k] = event.manual
            s.waiting = k + 1
        e += 1
    return e


@part
def _move(s: Any, source: int, target: int) -> None:
    """Move a waiting greasing up; beyond the last there are blank ones, so that equal states are equal bytes."""
    there = source < s.waiting
    s.at[target] = s.at[source] if there else 0
    s.age[target] = s.age[source] if there else 0
    s.nipples[target] = s.nipples[source] if there else 0
    s.strokes[target] = s.strokes[source] if there else 0
    s.manual[target] = s.manual[source] if there else 0
    s.corrects[target] = s.corrects[source] if there else 0
    s.wrong_time[target] = s.wrong_time[source] if there else 0
    s.replaces[target] = s.replaces[source] if there else 0


@part
def account(s: Any, p: Any, hi: int, runs_until: int, out: Any, n: int, g: int) -> int:
    """Bring the clock from `done` to hi, running up to `runs_until`, with the greasings on the way."""
    lo = s.done if s.done != NEVER else hi
    k = 0
    while k < s.waiting and s.at[k] <= hi:
        stop = min(max(s.at[k], lo), runs_until)
        if stop > lo:
            n = run_clock(s, p, lo, stop, out, n, g)
        lo = max(lo, s.at[k])
        n = _correct(s, p, k, out, n, g) if s.corrects[k] else _grease(s, p, k, out, n, g)
        k += 1
    if k > 0:
        for j in range(WAITING):
            _move(s, j + k, j)
        s.waiting -= k
    stop = min(hi, runs_until)
    if stop > lo:
        n = run_clock(s, p, lo, stop, out, n, g)
    s.done = max(s.done, hi)
    return n


@part
def next_event(s: Any) -> int:
    """When the oldest waiting greasing takes effect."""
    return s.at[0] if s.waiting > 0 else FOREVER


@part
def quiet_until(s: Any, p: Any) -> int:
    """Up to what reading of the clock nothing can happen but that it runs on, if no event does: the short way."""
    if s.due_onset == NEVER:
        return min(p.due, p.overdue)  # type: ignore[no-any-return]
    if s.overdue_onset == NEVER:
        return p.overdue  # type: ignore[no-any-return]
    return FOREVER if s.high else p.high


def from_first(old: Any) -> dict[str, Any]:
    """The state that follows from one of version 1: nothing that was greased before can be corrected."""
    fields = {name: old[name] for name in FIRST.names or ()}
    if old["short_onset"] == NEVER:
        return fields
    # The last greasing had too few strokes: it is kept for that, without a name to correct it by.
    kept = np.zeros((KEPT, MANUAL + 1), np.int64)
    kept[0, [KIND, NIPPLES, STROKES, MANUAL]] = _NO_NAME, old["short_nipples"], old["short_strokes"], 1
    return {**fields, "kept": kept, "count": 1}
