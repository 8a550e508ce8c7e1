"""storage_due, storage_use: a hammer that has not fired for long, and one that fires again unprepared.

After 6 months without firing (common practice, no published source; here 183 days) it belongs in storage: ports
plugged, tool out, bushings and piston oiled, upright. Fired out of storage, or after so long, before anybody has said
that it was taken out or looked it over, it is to be stopped and prepared.

What people entered is kept, with the first firing after each entry, so that all follows anew from what is left when
one of them turns out to have been wrong: from the correction on.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND
from strikewatch.detectors.base import FIRING, FOREVER, Detector, DetectorSettings, Older, tenth
from strikewatch.detectors.kernels import (
    CHECKED,
    CLEARED,
    CORRECTED,
    LOW,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    STORED,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
)
from strikewatch.detectors.maintenance import corrections
from strikewatch.detectors.maintenance.corrections import AT, KEPT, KIND, TIME, find, remove


class Settings(DetectorSettings):
    """Long storage."""

    idle_days: float = Field(183.0, gt=0, description="No firing for this long: it belongs in storage, days")


DUE: Final = 0
USE: Final = 1

_FIRED: Final = -2
"""Kind of a row that no entry made: the first firing after one, and each that was a fault."""
_NO_ENTRY: Final = -3
_PUT_IN: Final = corrections.COLUMNS  # of a storage entry: whether it was put in
_IDLE: Final = _PUT_IN + 1  # of a firing: how long it had been idle, ns
_COLUMNS: Final = _PUT_IN + 2

_STORED, _READIED, _USED, _IDLE_BEFORE, _IN_SINCE = range(5)
"""Places of what the rows of the history amount to."""

FIRST: Final = np.dtype(
    [
        ("base", "<i8"),  # the end of the last firing; before any, the first row
        ("put_in", "<i8"),  # put in storage since then
        ("stored", "<i8"),  # and neither taken out nor fired
        ("readied", "<i8"),  # when it was last taken out or looked over
        ("due_onset", "<i8"),
        ("use_onset", "<i8"),
        ("idle", "<i8"),  # ns without firing before that use
    ]
)
"""Version 1 of the state, which had no history."""
STATE: Final = np.dtype(
    [
        *((name, FIRST[name]) for name in FIRST.names or ()),
        ("not_before", "<i8"),  # a correction: what follows from it is found from here on
        ("floor", "<i8", (5,)),  # what the rows no longer kept amount to
        ("count", "<i8"),
        ("kept", "<i8", (KEPT, _COLUMNS)),  # entries and firings in the order of time
        ("not_found", "<i8"),  # corrections of what is not kept
    ]
)
PARAMS: Final = np.dtype([("idle", "<i8")])


@part
def _rest(s: Any, p: Any, x: int, hi: int, f: int, out: Any, n: int, g: int) -> int:
    """Time runs from x to hi, the hammer firing up to f."""
    if s.base != NEVER:
        if f > x and hi > x:
            s.base = min(f, hi)
            s.put_in = 0
        due = max(s.base + p.idle, s.not_before)
        if s.due_onset == NEVER and not s.put_in and due <= hi:
            s.due_onset = due
            n = emit(out, n, g, DUE, RAISED, due, due, LOW, (float(due - s.base),))
    return n


@part
def _advance(f: Any, p: Any, kept: Any, j: int) -> None:
    """What row j of the history does: `_take` and `_fire` do the same when it comes."""
    at = kept[j, AT]
    if kept[j, KIND] == _FIRED:
        idle = kept[j, _IDLE]
        if not f[_USED] and (f[_STORED] or (idle >= p.idle and f[_READIED] < at - idle)):
            f[_USED] = 1
            f[_IDLE_BEFORE] = idle
        f[_IN_SINCE] = 0
        f[_STORED] = 0
    elif kept[j, KIND] == STORED and kept[j, _PUT_IN] == 1:
        f[_IN_SINCE] = 1
        f[_STORED] = 1
    elif kept[j, KIND] == STORED or kept[j, KIND] == CHECKED:
        f[_READIED] = at
        f[_USED] = 0
        if kept[j, KIND] == STORED:
            f[_STORED] = 0


@part
def _keep(s: Any, p: Any, kind: int, time: int, at: int, put_in: int, idle: int) -> None:
    """Put a row on record; of more than can be kept the oldest counts for good."""
    if s.count == KEPT:
        _advance(s.floor, p, s.kept, 0)
        s.count = remove(s.kept, s.count, 0)
    j = s.count
    s.count = j + 1
    s.kept[j, KIND] = kind
    s.kept[j, TIME] = time
    s.kept[j, AT] = at
    s.kept[j, _PUT_IN] = put_in
    s.kept[j, _IDLE] = idle


@part
def _awaits_firing(s: Any) -> bool:
    """Whether it has not fired since the last entry."""
    return s.count > 0 and s.kept[s.count - 1, KIND] != _FIRED  # type: ignore[no-any-return]


@part
def _correct(s: Any, p: Any, event: Any, out: Any, n: int, g: int) -> int:
    """An entry was wrong. One that happened before it took effect stands in its place."""
    at = event.at
    happened = at - event.age
    j = find(s.kept, s.count, event.wrong, event.wrong_time)
    if event.right == event.wrong and happened <= s.kept[j, AT]:
        s.kept[j, TIME] = happened
        s.kept[j, _PUT_IN] = event.detail
    else:
        s.count = remove(s.kept, s.count, j)
        if event.right == event.wrong:
            _keep(s, p, event.right, happened, at, event.detail, 0)
    f = np.empty(5, np.int64)
    for k in range(5):
        f[k] = s.floor[k]
    for j in range(s.count):
        _advance(f, p, s.kept, j)
    s.put_in = f[_IN_SINCE]
    s.stored = f[_STORED]
    s.readied = f[_READIED]
    s.not_before = at
    if s.due_onset != NEVER and s.put_in:
        n = emit(out, n, g, DUE, CLEARED, s.due_onset, at, LOW, (float(at - s.base),))
        s.due_onset = NEVER
    if s.use_onset != NEVER and not f[_USED]:
        n = emit(out, n, g, USE, CLEARED, s.use_onset, at, MEDIUM, (float(s.idle),))
        s.use_onset = NEVER
    if f[_USED]:
        s.idle = f[_IDLE_BEFORE]
        if s.use_onset == NEVER:
            s.use_onset = at
            n = emit(out, n, g, USE, RAISED, at, at, MEDIUM, (float(s.idle),))
    return n


@part
def _take(s: Any, p: Any, event: Any, out: Any, n: int, g: int) -> int:
    """An event takes effect."""
    at = event.at
    kind = event.kind
    if kind == CORRECTED and (event.wrong == STORED or event.wrong == CHECKED):
        if find(s.kept, s.count, event.wrong, event.wrong_time) >= 0:
            return _correct(s, p, event, out, n, g)
        # What it replaces cannot be taken back any more, but it happened itself.
        s.not_found += event.wrong == STORED  # of a check `walk_round` says so
        kind = event.right
    if kind in (STORED, CHECKED):
        _keep(s, p, kind, at - event.age, at, event.detail if kind == STORED else 0, 0)
    if kind == STORED and event.detail == 1:
        if s.due_onset != NEVER:
            n = emit(out, n, g, DUE, CLEARED, s.due_onset, at, LOW, (float(at - s.base),))
            s.due_onset = NEVER
        s.put_in = 1
        s.stored = 1
    elif kind in (STORED, CHECKED):
        if s.use_onset != NEVER:
            n = emit(out, n, g, USE, CLEARED, s.use_onset, at, MEDIUM, (float(s.idle),))
            s.use_onset = NEVER
        s.readied = at
        if kind == STORED:
            s.stored = 0
    return n


@part
def _fire(s: Any, p: Any, x: int, out: Any, n: int, g: int) -> int:
    """The hammer fires at this instant."""
    idle = x - s.base
    if s.due_onset != NEVER:
        n = emit(out, n, g, DUE, CLEARED, s.due_onset, x, LOW, (float(idle),))
        s.due_onset = NEVER
    unprepared = s.stored or (idle >= p.idle and s.readied < s.base)
    if unprepared or _awaits_firing(s):
        _keep(s, p, _FIRED, x, x, 0, idle)
    if unprepared and s.use_onset == NEVER:
        s.use_onset = x
        s.idle = idle
        n = emit(out, n, g, USE, RAISED, x, x, MEDIUM, (float(idle),))
    s.base = x
    s.put_in = 0
    s.stored = 0
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    events: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        e = span.first_event
        i = span.first
        x = span.since
        f = nth(fire_until, span.first + g)
        while True:
            while e < span.last_event and events[e].at <= x:
                n = _take(s, p, events[e], out, n, g)
                e += 1
            if i < span.last and nth(time_ns, i) <= x:
                if s.base == NEVER:
                    s.base = x
                f = nth(fire_until, i + 1 + g)
                i += 1
            # An event may come after the watermark, where nothing more is known.
            if f > x and x <= span.upto:
                n = _fire(s, p, x, out, n, g)
            event_at = events[e].at if e < span.last_event else span.upto + 1
            if s.base != NEVER and not s.stored and not _awaits_firing(s):
                # Fired not long ago, and nothing else can happen: the short way.
                quiet = min(event_at, s.base + p.idle)
                first = i
                base = s.base
                while i < span.last and nth(time_ns, i) < quiet:
                    t = nth(time_ns, i)
                    if f > x:
                        base = min(f, t)
                    x = t
                    i += 1
                    f = nth(fire_until, i + g)
                if base != s.base:
                    s.put_in = 0
                    s.base = base
                if i > first and f > x:
                    n = _fire(s, p, x, out, n, g)
            hi = min(event_at, nth(time_ns, i)) if i < span.last else event_at
            n = _rest(s, p, x, min(hi, span.upto), f, out, n, g)
            if i == span.last and e == span.last_event:
                break
            x = hi
        if report:
            if s.due_onset != NEVER:
                n = emit(out, n, g, DUE, STANDING, s.due_onset, span.upto, LOW, (float(span.upto - s.base),))
            if s.use_onset != NEVER:
                n = emit(out, n, g, USE, STANDING, s.use_onset, span.upto, MEDIUM, (float(s.idle),))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (instant.seconds(settings.idle_days * 86_400),)


def _days(value_ns: float) -> float:
    return tenth(value_ns / (86_400 * SECOND))


def _due(record: Any, params: Any) -> int:
    """When it has not fired for too long, if it does not."""
    if record["base"] == NEVER or record["due_onset"] != NEVER or record["put_in"]:
        return FOREVER
    return int(record["base"] + params["idle"])


def _from_first(old: Any) -> dict[str, Any]:
    """The state that follows from one of version 1: nothing that was entered before can be corrected."""
    used = old["use_onset"] != NEVER
    kept = np.zeros((KEPT, _COLUMNS), np.int64)
    kept[0, KIND] = _NO_ENTRY  # the next firing is to be kept
    return {
        **{name: old[name] for name in FIRST.names or ()},
        "floor": [old["stored"], old["readied"], used, old["idle"], old["put_in"]],
        "count": 1,
        "kept": kept,
    }


DETECTOR: Final = Detector(
    name="long_storage",
    version=2,
    faults=(
        Fault(
            "storage_due",
            "Not fired for {idle_days:.0f} days; store it: ports plugged, tool out, insides oiled, upright.",
            {"idle_days": _days},
        ),
        Fault(
            "storage_use",
            "Fired after {idle_days:.0f} days without use; stop, and prepare it as its handbook says.",
            {"idle_days": _days},
        ),
    ),
    settings=Settings,
    state=STATE,
    older={1: Older(FIRST, _from_first)},
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("events",),
    fresh={
        "base": NEVER,
        "readied": NEVER,
        "due_onset": NEVER,
        "use_onset": NEVER,
        "not_before": NEVER,
        "floor": [0, NEVER, 0, 0, 0],
    },
    needs=(FIRING,),
    due=_due,
)
