"""The operating clock of a hammer, and the greasings that set it to zero; what `grease` is made of.

Whether a silence counts is known only when the next row comes, so a greasing within it waits here until then.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detect.kernels import (
    CLEARED,
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

WAITING: Final = 8
"""Greasings that one silence of a few seconds may hold; with a ninth the first is taken at once."""

STATE: Final = np.dtype(
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
    s.clock = min(s.clock, s.age[k])
    n = run_clock(s, p, at, at, out, n, g)
    if s.short_onset != NEVER:
        evidence = (float(s.short_strokes), float(s.short_nipples))
        n = emit(out, n, g, SHORT, CLEARED, s.short_onset, at, LOW, evidence)
        s.short_onset = NEVER
    told = s.nipples[k]
    if s.manual[k] and told > 0:
        needed = p.nipples if p.nipples > 0 else told
        strokes = s.strokes[k] if told >= needed else 0
        if strokes < (p.strokes_single if needed == 1 else p.strokes_each):
            s.short_onset = at
            s.short_strokes = strokes
            s.short_nipples = needed
            n = emit(out, n, g, SHORT, RAISED, at, at, LOW, (float(strokes), float(needed)))
    return n


@part
def queue(s: Any, events: Any, e: int, last: int) -> int:
    """Let greasings from event number e on wait, as many as there is room for; the number of the next event."""
    while e < last and s.waiting < WAITING:
        event = events[e]
        if event.kind == GREASING:
            k = s.waiting
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
        n = _grease(s, p, k, out, n, g)
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
