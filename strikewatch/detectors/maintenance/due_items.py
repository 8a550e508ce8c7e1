"""Items that fall due by operating hours or by days, and the hour meter; what `upkeep` is made of.

On a feed without engine speed the time since the last row is not settled until the next has come, or too long a
silence has passed. What an event does to a clock in it is done at once, and the clock runs on from there.

`history` says how clocks follow from the entries on record, for when one of these turns out to have been wrong.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS
from strikewatch.detectors.kernels import (
    CLEARED,
    CORRECTED,
    INSPECTED,
    LOW,
    MEDIUM,
    METERED,
    NEVER,
    RAISED,
    SERVICED,
    emit,
    kernel,
    part,
)
from strikewatch.detectors.maintenance.corrections import AT, KEPT, TIME, find, remove
from strikewatch.detectors.maintenance.forecast import DAY, DAYS, days_left
from strikewatch.detectors.maintenance.history import (
    AGE,
    BEFORE,
    COLUMNS,
    DETAIL,
    DROP,
    FAULT,
    KNOWN,
    METER_BASE,
    METER_DROP,
    ROW,
    SEEN,
    SINCE,
    STOOD,
    SUMS,
    TOLD,
    TOTAL,
    VALUE,
    ZERO,
    keep,
    settle_drops,
    sums,
)

ITEMS: Final = ("inspection", "service")
STAGES: Final = ("soon", "due", "overdue")
METER: Final = len(ITEMS) * len(STAGES)
"""Faults are numbered by item and stage; after them comes the meter's."""

FIRST: Final = np.dtype(
    [
        ("clock", "<i8", (2,)),  # operating ns since it was seen to, of each item
        ("since", "<i8", (2,)),  # when that was, or the hammer was first seen
        ("seen_to", "<i8", (2,)),  # whether it ever was
        ("start", "<i8", (2,)),  # an event within an interval: the clock runs from there
        ("stage", "<i8", (2,)),  # 0: none, 1: soon, 2: due, 3: overdue
        ("onset", "<i8", (2,)),
        ("meter", "<i8"),
        ("meter_known", "<i8"),  # a figure of it was ever taken
        ("meter_start", "<i8"),
        ("meter_onset", "<i8"),
        ("meter_stood", "<i8"),  # when a reading below it was told
        ("meter_told", "<i8"),
        ("done", "<i8"),  # settled up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),
        ("has_engine_rpm", "<i8"),
        ("first_day", "<i8"),  # days since 1970, UTC
        ("day", "<i8"),
        ("today", "<i8"),  # operating ns
        ("days", "<i8", (DAYS,)),  # of the whole days past, in a ring that begins with the first
    ]
)
"""Version 1 of the state, which had no history."""
STATE: Final = np.dtype(
    [
        *((name, FIRST[name]) for name in FIRST.names or ()),
        ("total", "<i8"),  # operating ns in all
        ("first_row", "<i8"),
        ("not_before", "<i8"),  # a correction: what follows from it is found from here on
        ("floor", "<i8", (SUMS,)),  # what the entries no longer kept amount to
        ("count", "<i8"),
        ("kept", "<i8", (KEPT, COLUMNS)),  # entries in the order in which they took effect
        ("not_found", "<i8"),  # corrections of what is not kept
    ]
)
PARAMS: Final = np.dtype(
    [
        ("hours", "<i8", (2, 3)),  # by item and stage, ns
        ("days", "<i8", (2, 3)),
        ("working_rpm", "<f8"),
        ("steady", "<i8"),
    ]
)
_FOREVER: Final = -NEVER
_REPLACED: Final = METER_REASONS.index("replaced")
_MOVED: Final = METER_REASONS.index("moved")
_READING: Final = METER_REASONS.index("reading")


@kernel
def outlook(
    state: Any, params: Any, k: int, stage: int, at: int, clock: int
) -> tuple[float, float, float, float]:
    """(operating ns since, ns since, earliest and latest in days) of item k: until `stage`, 1 to 3, at the use of the
    days past and by the calendar; NaN where neither tells."""
    earliest, latest = np.nan, np.nan
    since = float(at - state.since[k]) if state.since[k] != NEVER else np.nan
    days_known = min(DAYS, state.day - state.first_day - 1)
    if 1 <= stage <= 3:
        earliest, latest = days_left(state.days, days_known, float(params.hours[k, stage - 1] - clock))
        if state.since[k] != NEVER:
            calendar = max(0.0, float(state.since[k] + params.days[k, stage - 1] - at) / DAY)
            # The calendar needs no forecast: it is the latest at any use.
            latest = calendar if not latest < calendar else latest
            earliest = calendar if earliest > calendar else earliest
    # No end in sight is not known either.
    earliest = earliest if earliest < np.inf else np.nan
    latest = latest if latest < np.inf else np.nan
    return float(clock), since, earliest, latest


@part
def _turn(state: Any, params: Any, k: int, stage: int, at: int, clock: int, out: Any) -> None:
    """From here on item k is at this stage; the one before is over."""
    before = state.stage[k]
    if before > 0:
        priority = MEDIUM if before == 3 else LOW
        evidence = outlook(state, params, k, before + 1, at, clock)
        emit(out, 3 * k + before - 1, CLEARED, state.onset[k], at, priority, evidence)
    state.stage[k] = stage
    state.onset[k] = at if stage > 0 else NEVER
    if stage > 0:
        priority = MEDIUM if stage == 3 else LOW
        evidence = outlook(state, params, k, stage + 1, at, clock)
        emit(out, 3 * k + stage - 1, RAISED, at, at, priority, evidence)


@part
def _reaches(state: Any, params: Any, k: int, stage: int, start: int, work: int) -> int:
    """When item k reaches a stage, at lo or later, if the carrier works from lo up to `work`."""
    at = _FOREVER
    missing = params.hours[k, stage - 1] - state.clock[k]
    if missing <= 0:
        at = start
    elif start + missing <= work:
        at = start + missing
    if state.since[k] != NEVER:
        at = min(at, max(start, state.since[k] + params.days[k, stage - 1]))
    return at


@part
def _settle_item(state: Any, params: Any, k: int, start: int, end: int, works_until: int, out: Any) -> None:
    """Time runs for item k from lo to hi, the carrier working up to `works`."""
    start = max(start, state.start[k])
    if start > end:
        return
    work = max(start, min(end, works_until))
    while state.stage[k] < 3:
        stage = state.stage[k] + 1
        at = max(state.not_before, _reaches(state, params, k, stage, start, work))
        if at > end:
            break
        while stage < 3 and max(state.not_before, _reaches(state, params, k, stage + 1, start, work)) == at:
            stage += 1
        _turn(state, params, k, stage, at, state.clock[k] + max(0, min(at, work) - start), out)
    state.clock[k] += work - start


@part
def settle(state: Any, params: Any, end: int, works_until: int, out: Any) -> None:
    """Time runs to hi, the carrier working up to `works`."""
    while True:
        start = state.done
        edge = (state.day + 1) * DAY
        stop = min(end, edge)
        for k in range(2):
            _settle_item(state, params, k, start, stop, works_until, out)
        state.meter += max(0, min(stop, works_until) - max(start, state.meter_start))
        ran = max(0, min(stop, works_until) - start)
        state.total += ran
        state.today += ran
        state.done = stop
        if stop < edge:
            return
        if state.day > state.first_day:
            state.days[(state.day - state.first_day - 1) % DAYS] = state.today
        state.today = 0
        state.day += 1


@part
def begin(state: Any, at: int) -> None:
    """The first that is heard of the hammer."""
    if state.done == NEVER:
        state.done = at
        state.day = at // DAY
        state.first_day = state.day


@part
def _see_to(state: Any, params: Any, k: int, event: Any, upto: int, out: Any) -> None:
    """Item k was seen to."""
    at = event.at
    _settle_item(state, params, k, state.done, min(at, upto), NEVER, out)
    happened = at - event.age
    _turn(state, params, k, 0, at, state.clock[k], out)
    # Told of only later: the carrier may have worked all the while since.
    state.clock[k] = min(state.clock[k], event.age)
    state.since[k] = max(state.since[k], happened) if state.seen_to[k] else happened
    state.seen_to[k] = 1
    state.start[k] = at
    _settle_item(state, params, k, at, at, NEVER, out)


@part
def _read_meter(state: Any, params: Any, event: Any, upto: int, out: Any) -> None:
    """Somebody read the carrier's hour meter."""
    at, told, stood = event.at, event.value, state.meter
    if event.detail == _READING and told < stood <= told + event.age:
        # Told of only later: what is missing may have been worked since it was read.
        told = stood
    if event.detail == _READING and told < stood:
        if state.meter_onset == NEVER:
            state.meter_onset = at
            state.meter_stood = stood
            state.meter_told = told
            emit(out, METER, RAISED, at, at, LOW, (float(stood), float(told)))
        return
    evidence = (float(state.meter_stood), float(state.meter_told))
    state.meter_onset = emit(out, METER, CLEARED, state.meter_onset, at, LOW, evidence)
    known = state.meter_known
    state.meter_known = 1
    state.meter = told
    state.meter_start = at
    # The first figure says nothing of when the hammer was last seen to.
    if known and event.detail != _MOVED and event.detail != _REPLACED:
        for k in range(2):
            _settle_item(state, params, k, state.done, min(at, upto), NEVER, out)
            state.clock[k] = max(0, state.clock[k] + told - stood)
            state.start[k] = at
            _turn_to_clock(state, params, k, at, out)


@part
def _turn_to_clock(state: Any, params: Any, k: int, at: int, out: Any) -> None:
    """Bring the stage of item k in line with its clock, which has just been set."""
    stage = 0
    while stage < 3 and _reaches(state, params, k, stage + 1, at, at) <= at:
        stage += 1
    if stage != state.stage[k]:
        _turn(state, params, k, stage, at, state.clock[k], out)


@part
def _correct(state: Any, params: Any, event: Any, upto: int, out: Any) -> None:
    """An entry was wrong. One that happened before the wrong one took effect stands in its place; one that happened
    later is taken like any that is told of late, but for what the wrong one shows to have been worked before it."""
    j = find(state.kept, state.count, event.wrong, event.wrong_time)
    at = event.at
    happened = at - event.age
    for k in range(2):
        _settle_item(state, params, k, state.done, min(at, upto), NEVER, out)
    if event.right == event.wrong and happened <= state.kept[j, AT]:
        state.kept[j, TIME] = happened
        state.kept[j, AGE] = state.kept[j, AT] - happened
        state.kept[j, VALUE] = event.value
        state.kept[j, DETAIL] = event.detail
    else:
        worked = state.kept[j, TOTAL]
        state.count = remove(state.kept, state.count, j)
        if event.right == event.wrong:
            _note(state, event, event.right)
            last = state.count - 1
            state.kept[last, AGE] = min(event.age, state.kept[last, TOTAL] - worked)
    totals = sums(state)
    for k in range(2):
        state.since[k] = totals[SINCE + k] if totals[SEEN + k] else state.first_row
        state.seen_to[k] = totals[SEEN + k]
        state.clock[k] = state.total - totals[ZERO + k]
        state.start[k] = state.last_row + totals[DROP + k] if totals[DROP + k] > 0 else NEVER
    state.meter = state.total - totals[METER_BASE]
    state.meter_known = totals[KNOWN]
    state.meter_start = state.last_row + totals[METER_DROP] if totals[METER_DROP] > 0 else NEVER
    state.not_before = at
    if state.meter_onset != NEVER and not totals[FAULT]:
        evidence = (float(state.meter_stood), float(state.meter_told))
        emit(out, METER, CLEARED, state.meter_onset, at, LOW, evidence)
        state.meter_onset = NEVER
    if totals[FAULT]:
        state.meter_stood = totals[STOOD]
        state.meter_told = totals[TOLD]
        if state.meter_onset == NEVER:
            state.meter_onset = at
            evidence = (float(state.meter_stood), float(state.meter_told))
            emit(out, METER, RAISED, at, at, LOW, evidence)
    for k in range(2):
        _turn_to_clock(state, params, k, at, out)


@part
def _note(state: Any, event: Any, kind: int) -> None:
    """Put an entry on record, everything being settled up to it."""
    part_of_interval = 0
    if not state.has_engine_rpm and state.last_row != NEVER:
        part_of_interval = max(0, event.at - state.last_row)
    keep(state, event, kind, part_of_interval)


@part
def row_comes(state: Any, counts: int) -> None:
    """The next row has come: the interval since the last is settled, and counts or not."""
    if not counts:
        settle_drops(state)


@part
def take(state: Any, params: Any, event: Any, upto: int, out: Any) -> None:
    """An event takes effect; where it comes after the watermark, nothing is known of the time between."""
    corrects = event.kind == CORRECTED and (
        event.wrong == INSPECTED or event.wrong == METERED or event.wrong == SERVICED
    )
    kind = event.kind
    if corrects:
        found = find(state.kept, state.count, event.wrong, event.wrong_time) >= 0
        if not found:
            # What it replaces cannot be taken back any more, but it happened itself.
            state.not_found += 1
            corrects = False
            kind = event.right
    served = kind == SERVICED and event.detail == 1
    if corrects or kind in (INSPECTED, METERED) or served:
        begin(state, event.at)
        if state.has_engine_rpm:
            settle(state, params, max(min(event.at, upto), state.done), state.rpm_until, out)
        if corrects:
            _correct(state, params, event, upto, out)
            return
        _note(state, event, kind)
        if kind == METERED:
            _read_meter(state, params, event, upto, out)
            return
        _see_to(state, params, 1 if served else 0, event, upto, out)
        return


@part
def quiet_until(state: Any, params: Any) -> int:
    """Up to when nothing can happen but that hours add up, if no event does; NEVER where that cannot be told."""
    if (
        state.last_row == NEVER
        or state.start[0] > state.done
        or state.start[1] > state.done
        or state.meter_start > state.done
    ):
        return NEVER
    if state.count > 0 and state.kept[state.count - 1, BEFORE] == state.last_row:
        return NEVER  # whether the interval that an entry lies in counts
    quiet = (state.day + 1) * DAY
    for k in range(2):
        if state.stage[k] < 3:
            quiet = min(quiet, state.since[k] + params.days[k, state.stage[k]])
    return quiet  # type: ignore[no-any-return]


@part
def room_left(state: Any, params: Any) -> int:
    """How much can be worked before an item reaches its next stage."""
    room = _FOREVER
    for k in range(2):
        if state.stage[k] < 3:
            room = min(room, params.hours[k, state.stage[k]] - state.clock[k])
    return room


def from_first(old: Any) -> dict[str, Any]:
    """The state that follows from one of version 1: nothing that was entered before can be corrected."""
    floor = np.zeros(SUMS, np.int64)
    seen_to = old["seen_to"].astype(bool)
    floor[ZERO : ZERO + 2] = -old["clock"]
    floor[SINCE : SINCE + 2] = old["since"]
    floor[SEEN : SEEN + 2] = seen_to
    floor[METER_BASE] = -old["meter"]
    floor[KNOWN] = old["meter_known"]
    floor[FAULT] = old["meter_onset"] != NEVER
    floor[STOOD] = old["meter_stood"]
    floor[TOLD] = old["meter_told"]
    floor[ROW] = NEVER
    if not old["has_engine_rpm"] and old["last_row"] != NEVER:
        # an event in the interval under way: what it drops is not settled yet
        floor[ROW] = old["last_row"]
        floor[DROP : DROP + 2] = np.maximum(0, old["start"] - old["last_row"])
        floor[METER_DROP] = max(0, int(old["meter_start"]) - int(old["last_row"]))
    first_row = old["since"][~seen_to].max(initial=NEVER)
    return {**{name: old[name] for name in FIRST.names or ()}, "floor": floor, "first_row": first_row}
