"""storage_due, storage_use: a hammer that has not fired for long, and one that fires again unprepared.

After 6 months without firing (common practice, no published source; here 183 days) a hammer belongs in storage: ports
plugged, tool out, bushings and piston oiled, upright. `storage_due` begins then, and clears at the next firing or when
it is put in storage. If it fires out of storage, or after so long, before it was taken out or inspected, `storage_use`
begins; it clears with that entry.

The entries are kept with the first firing after each. If an entry turns out to be wrong, everything follows anew from
what is left, from the correction on.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND
from strikewatch.detectors.base import FIRING, FOREVER, Detector, DetectorSettings, Older, fields_of, tenth
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
    part,
    scratch,
    unchecked,
)
from strikewatch.detectors.maintenance import corrections
from strikewatch.detectors.maintenance.corrections import (
    AT,
    KEPT,
    KIND,
    NO_ENTRY,
    append,
    find,
    remove,
    replace_or_remove,
    with_history,
)
from strikewatch.detectors.tiles import firing_by_row


class Settings(DetectorSettings):
    """Long storage."""

    idle_days: float = Field(
        183.0, gt=0, description="Time without firing after which the hammer is to be put in storage, days"
    )


DUE: Final = 0
USE: Final = 1

_FIRED: Final = -2
"""Kind of a row that is not an entry: the first firing after one, and each firing that was a fault."""
_PUT_IN: Final = corrections.COLUMNS  # of a storage entry: whether the hammer was put in storage
_IDLE: Final = _PUT_IN + 1  # of a firing: time without firing before it, ns
_COLUMNS: Final = _PUT_IN + 2

_STORED, _READIED, _USED, _IDLE_BEFORE, _PUT_IN_SINCE = range(5)
"""Indices of `totals` [TOTALS], what the rows of the history amount to."""
TOTALS: Final = 5

FIRST: Final = np.dtype(
    [
        ("base", "<i8"),  # end of the last firing; before any, the first row
        ("put_in", "<i8"),  # whether it was put in storage since then
        ("stored", "<i8"),  # whether it was put in storage, and neither taken out nor fired
        ("readied", "<i8"),  # when it was last taken out or inspected
        ("due_onset", "<i8"),
        ("use_onset", "<i8"),
        ("idle", "<i8"),  # ns without firing before that use
    ]
)
"""Version 1 of the state, without a history."""
STATE: Final = with_history(
    FIRST,
    _COLUMNS,
    ("not_before", "<i8"),  # time of the last correction: its consequences are found from here on
    ("floor", "<i8", (TOTALS,)),  # what the rows no longer kept amount to
)
PARAMS: Final = np.dtype([("idle", "<i8")])


@part
def _clear_due(state: Any, at: int, out: Any) -> None:
    state.due_onset = emit(out, DUE, CLEARED, state.due_onset, at, LOW, (float(at - state.base),))


@part
def _clear_use(state: Any, at: int, out: Any) -> None:
    state.use_onset = emit(out, USE, CLEARED, state.use_onset, at, MEDIUM, (float(state.idle),))


@part
def _raise_use(state: Any, at: int, idle: int, out: Any) -> None:
    if state.use_onset == NEVER:
        state.idle = idle
        state.use_onset = emit(out, USE, RAISED, at, at, MEDIUM, (float(idle),))


@part
def _advance(state: Any, params: Any, start: int, end: int, fires_until: int, out: Any) -> None:
    """Advance from `start` to `end`."""
    if state.base != NEVER:
        if fires_until > start and end > start:
            state.base = min(fires_until, end)
            state.put_in = 0
        due = max(state.base + params.idle, state.not_before)
        if state.due_onset == NEVER and not state.put_in and due <= end:
            state.due_onset = emit(out, DUE, RAISED, due, due, LOW, (float(due - state.base),))


@part
def _apply(totals: Any, params: Any, kept: Any, j: int) -> None:
    """Apply row j of the history. `_apply_event` and `_fire` do the same when it comes."""
    at = kept[j, AT]
    if kept[j, KIND] == _FIRED:
        idle = kept[j, _IDLE]
        if not totals[_USED] and (totals[_STORED] or (idle >= params.idle and totals[_READIED] < at - idle)):
            totals[_USED] = 1
            totals[_IDLE_BEFORE] = idle
        totals[_PUT_IN_SINCE] = 0
        totals[_STORED] = 0
    elif kept[j, KIND] == STORED and kept[j, _PUT_IN] == 1:
        totals[_PUT_IN_SINCE] = 1
        totals[_STORED] = 1
    elif kept[j, KIND] == STORED or kept[j, KIND] == CHECKED:
        totals[_READIED] = at
        totals[_USED] = 0
        if kept[j, KIND] == STORED:
            totals[_STORED] = 0


@part
def _keep(state: Any, params: Any, kind: int, time: int, at: int, put_in: int, idle: int) -> None:
    """Add a row to the history; if that is full, its oldest row becomes final."""
    if state.count == KEPT:
        _apply(state.floor, params, state.kept, 0)
        remove(state, 0)
    j = append(state, kind, time, at)
    state.kept[j, _PUT_IN] = put_in
    state.kept[j, _IDLE] = idle


@part
def _awaits_firing(state: Any) -> bool:
    """Tell whether it has not fired since the last entry."""
    return state.count > 0 and state.kept[state.count - 1, KIND] != _FIRED  # type: ignore[no-any-return]


@part
def _correct(state: Any, params: Any, j: int, event: Any, out: Any) -> None:
    """Apply the correction of row j."""
    at = event.at
    happened = at - event.age
    if replace_or_remove(state, j, event.right == event.wrong, happened):
        state.kept[j, _PUT_IN] = event.detail
    elif event.right == event.wrong:
        _keep(state, params, event.right, happened, at, event.detail, 0)
    totals = scratch(TOTALS, np.int64)
    for k in range(TOTALS):
        totals[k] = state.floor[k]
    for j in range(state.count):
        _apply(totals, params, state.kept, j)
    state.put_in = totals[_PUT_IN_SINCE]
    state.stored = totals[_STORED]
    state.readied = totals[_READIED]
    state.not_before = at
    if state.put_in:
        _clear_due(state, at, out)
    if totals[_USED]:
        _raise_use(state, at, totals[_IDLE_BEFORE], out)
        state.idle = totals[_IDLE_BEFORE]
    else:
        _clear_use(state, at, out)


@part
def _apply_event(state: Any, params: Any, event: Any, out: Any) -> None:
    """Apply an event."""
    at = event.at
    kind = event.kind
    if kind == CORRECTED and (event.wrong == STORED or event.wrong == CHECKED):
        j = find(state, event.wrong, event.wrong_time)
        if j >= 0:
            _correct(state, params, j, event, out)
            return
        # The wrong entry can no longer be withdrawn, but what replaces it happened all the same.
        state.not_found += event.wrong == STORED  # `walk_round` counts those of inspections
        kind = event.right
    if kind not in (STORED, CHECKED):
        return
    put_in = event.detail if kind == STORED else 0
    _keep(state, params, kind, at - event.age, at, put_in, 0)
    if put_in == 1:
        _clear_due(state, at, out)
        state.put_in = 1
        state.stored = 1
        return
    _clear_use(state, at, out)
    state.readied = at
    if kind == STORED:
        state.stored = 0


@part
def _fire(state: Any, params: Any, now: int, out: Any) -> None:
    """Apply firing at an instant."""
    idle = now - state.base
    _clear_due(state, now, out)
    unprepared = state.stored or (idle >= params.idle and state.readied < state.base)
    if unprepared or _awaits_firing(state):
        _keep(state, params, _FIRED, now, now, 0, idle)
    if unprepared:
        _raise_use(state, now, idle, out)
    state.base = now
    state.put_in = 0
    state.stored = 0


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any) -> bool:
    """Tell whether it fired not long ago and there is no event; keep the end of the last firing."""
    unused = state.base == NEVER or state.stored or state.due_onset != NEVER or _awaits_firing(state)
    if unused or tile.first_event < tile.last_event or tile.upto >= state.base + params.idle:
        return False
    if tile.runs > 0:
        state.base = rows.runs[tile.runs - 1].end
        state.put_in = 0
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, out: Any) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    events = rows.events
    event_index = tile.first_event
    i = tile.first
    now = tile.since
    fires_until = unchecked(firing_ends, tile.first)
    while True:
        while event_index < tile.last_event and events[event_index].at <= now:
            _apply_event(state, params, events[event_index], out)
            event_index += 1
        if i < tile.last and unchecked(time_ns, i) <= now:
            if state.base == NEVER:
                state.base = now
            fires_until = unchecked(firing_ends, i + 1)
            i += 1
        # Nothing is known about the time after the watermark, where an event may come.
        if fires_until > now and now <= tile.upto:
            _fire(state, params, now, out)
        event_at = events[event_index].at if event_index < tile.last_event else tile.upto + 1
        until = min(event_at, unchecked(time_ns, i)) if i < tile.last else event_at
        _advance(state, params, now, min(until, tile.upto), fires_until, out)
        if i == tile.last and event_index == tile.last_event:
            break
        now = until
    if tile.report:
        emit(out, DUE, STANDING, state.due_onset, tile.upto, LOW, (float(tile.upto - state.base),))
        emit(out, USE, STANDING, state.use_onset, tile.upto, MEDIUM, (float(state.idle),))


def _params(settings: Settings) -> tuple[Any, ...]:
    return (instant.seconds(settings.idle_days * 86_400),)


def _days(value_ns: float) -> float:
    return tenth(value_ns / (86_400 * SECOND))


def _due(record: Any, params: Any) -> int:
    """Return when it will not have fired for too long."""
    if record["base"] == NEVER or record["due_onset"] != NEVER or record["put_in"]:
        return FOREVER
    return int(record["base"] + params["idle"])


def _from_first(old: Any) -> dict[str, Any]:
    """Convert a record of version 1. Earlier entries can no longer be corrected."""
    used = old["use_onset"] != NEVER
    kept = np.zeros((KEPT, _COLUMNS), np.int64)
    kept[0, KIND] = NO_ENTRY  # so that the next firing is kept
    return {
        **fields_of(old),
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
            "Fired after {idle_days:.0f} days without use; stop, and prepare it as the operator's manual says.",
            {"idle_days": _days},
        ),
    ),
    settings=Settings,
    state=STATE,
    older={1: Older(FIRST, _from_first)},
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
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
