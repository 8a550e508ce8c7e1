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
    GROUP,
    LOW,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    STORED,
    emit,
    kernel,
    new_output,
    part,
    unchecked,
    written,
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
def _rest(state: Any, params: Any, start: int, end: int, fires_until: int, out: Any) -> None:
    """Time runs from x to hi, the hammer firing up to f."""
    if state.base != NEVER:
        if fires_until > start and end > start:
            state.base = min(fires_until, end)
            state.put_in = 0
        due = max(state.base + params.idle, state.not_before)
        if state.due_onset == NEVER and not state.put_in and due <= end:
            state.due_onset = emit(out, DUE, RAISED, due, due, LOW, (float(due - state.base),))


@part
def _advance(totals: Any, params: Any, kept: Any, j: int) -> None:
    """What row j of the history does: `_take` and `_fire` do the same when it comes."""
    at = kept[j, AT]
    if kept[j, KIND] == _FIRED:
        idle = kept[j, _IDLE]
        if not totals[_USED] and (totals[_STORED] or (idle >= params.idle and totals[_READIED] < at - idle)):
            totals[_USED] = 1
            totals[_IDLE_BEFORE] = idle
        totals[_IN_SINCE] = 0
        totals[_STORED] = 0
    elif kept[j, KIND] == STORED and kept[j, _PUT_IN] == 1:
        totals[_IN_SINCE] = 1
        totals[_STORED] = 1
    elif kept[j, KIND] == STORED or kept[j, KIND] == CHECKED:
        totals[_READIED] = at
        totals[_USED] = 0
        if kept[j, KIND] == STORED:
            totals[_STORED] = 0


@part
def _keep(state: Any, params: Any, kind: int, time: int, at: int, put_in: int, idle: int) -> None:
    """Put a row on record; of more than can be kept the oldest counts for good."""
    if state.count == KEPT:
        _advance(state.floor, params, state.kept, 0)
        state.count = remove(state.kept, state.count, 0)
    j = state.count
    state.count = j + 1
    state.kept[j, KIND] = kind
    state.kept[j, TIME] = time
    state.kept[j, AT] = at
    state.kept[j, _PUT_IN] = put_in
    state.kept[j, _IDLE] = idle


@part
def _awaits_firing(state: Any) -> bool:
    """Whether it has not fired since the last entry."""
    return state.count > 0 and state.kept[state.count - 1, KIND] != _FIRED  # type: ignore[no-any-return]


@part
def _correct(state: Any, params: Any, event: Any, out: Any) -> None:
    """An entry was wrong. One that happened before it took effect stands in its place."""
    at = event.at
    happened = at - event.age
    j = find(state.kept, state.count, event.wrong, event.wrong_time)
    if event.right == event.wrong and happened <= state.kept[j, AT]:
        state.kept[j, TIME] = happened
        state.kept[j, _PUT_IN] = event.detail
    else:
        state.count = remove(state.kept, state.count, j)
        if event.right == event.wrong:
            _keep(state, params, event.right, happened, at, event.detail, 0)
    totals = np.empty(5, np.int64)
    for k in range(5):
        totals[k] = state.floor[k]
    for j in range(state.count):
        _advance(totals, params, state.kept, j)
    state.put_in = totals[_IN_SINCE]
    state.stored = totals[_STORED]
    state.readied = totals[_READIED]
    state.not_before = at
    if state.due_onset != NEVER and state.put_in:
        emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(at - state.base),))
        state.due_onset = NEVER
    if state.use_onset != NEVER and not totals[_USED]:
        emit(out, USE, CLEARED, state.use_onset, at, MEDIUM, (float(state.idle),))
        state.use_onset = NEVER
    if totals[_USED]:
        state.idle = totals[_IDLE_BEFORE]
        if state.use_onset == NEVER:
            state.use_onset = emit(out, USE, RAISED, at, at, MEDIUM, (float(state.idle),))


@part
def _take(state: Any, params: Any, event: Any, out: Any) -> None:
    """An event takes effect."""
    at = event.at
    kind = event.kind
    if kind == CORRECTED and (event.wrong == STORED or event.wrong == CHECKED):
        if find(state.kept, state.count, event.wrong, event.wrong_time) >= 0:
            _correct(state, params, event, out)
            return
        # What it replaces cannot be taken back any more, but it happened itself.
        state.not_found += event.wrong == STORED  # of a check `walk_round` says so
        kind = event.right
    if kind in (STORED, CHECKED):
        _keep(state, params, kind, at - event.age, at, event.detail if kind == STORED else 0, 0)
    if kind == STORED and event.detail == 1:
        state.due_onset = emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(at - state.base),))
        state.put_in = 1
        state.stored = 1
    elif kind in (STORED, CHECKED):
        state.use_onset = emit(out, USE, CLEARED, state.use_onset, at, MEDIUM, (float(state.idle),))
        state.readied = at
        if kind == STORED:
            state.stored = 0


@part
def _fire(state: Any, params: Any, now: int, out: Any) -> None:
    """The hammer fires at this instant."""
    idle = now - state.base
    state.due_onset = emit(out, DUE, CLEARED, state.due_onset, now, LOW, (float(idle),))
    unprepared = state.stored or (idle >= params.idle and state.readied < state.base)
    if unprepared or _awaits_firing(state):
        _keep(state, params, _FIRED, now, now, 0, idle)
    if unprepared and state.use_onset == NEVER:
        state.use_onset = now
        state.idle = idle
        emit(out, USE, RAISED, now, now, MEDIUM, (float(idle),))
    state.base = now
    state.put_in = 0
    state.stored = 0


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    firing_ends: Any,
    states: Any,
    all_params: Any,
    events: Any,
    findings: Any,
) -> int:
    out = new_output(findings)
    for group in range(len(spans)):
        out.cursor[GROUP] = group
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        event_index = span.first_event
        i = span.first
        now = span.since
        fires_until = unchecked(firing_ends, span.first + group)
        while True:
            while event_index < span.last_event and events[event_index].at <= now:
                _take(state, params, events[event_index], out)
                event_index += 1
            if i < span.last and unchecked(time_ns, i) <= now:
                if state.base == NEVER:
                    state.base = now
                fires_until = unchecked(firing_ends, i + 1 + group)
                i += 1
            # An event may come after the watermark, where nothing more is known.
            if fires_until > now and now <= span.upto:
                _fire(state, params, now, out)
            event_at = events[event_index].at if event_index < span.last_event else span.upto + 1
            if state.base != NEVER and not state.stored and not _awaits_firing(state):
                # Fired not long ago, and nothing else can happen: the short way.
                quiet = min(event_at, state.base + params.idle)
                first = i
                base = state.base
                while i < span.last and unchecked(time_ns, i) < quiet:
                    row_time = unchecked(time_ns, i)
                    if fires_until > now:
                        base = min(fires_until, row_time)
                    now = row_time
                    i += 1
                    fires_until = unchecked(firing_ends, i + group)
                if base != state.base:
                    state.put_in = 0
                    state.base = base
                if i > first and fires_until > now:
                    _fire(state, params, now, out)
            until = min(event_at, unchecked(time_ns, i)) if i < span.last else event_at
            _rest(state, params, now, min(until, span.upto), fires_until, out)
            if i == span.last and event_index == span.last_event:
                break
            now = until
        if report:
            if state.due_onset != NEVER:
                emit(out, DUE, STANDING, state.due_onset, span.upto, LOW, (float(span.upto - state.base),))
            if state.use_onset != NEVER:
                emit(out, USE, STANDING, state.use_onset, span.upto, MEDIUM, (float(state.idle),))
    return written(out)


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
