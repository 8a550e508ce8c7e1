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
def outlook(s: Any, p: Any, k: int, stage: int, at: int, clock: int) -> tuple[float, float, float, float]:
    """(operating ns since, ns since, earliest and latest in days) of item k: until `stage`, 1 to 3, at the use of the
    days past and by the calendar; NaN where neither tells."""
    earliest, latest = np.nan, np.nan
    since = float(at - s.since[k]) if s.since[k] != NEVER else np.nan
    n = min(DAYS, s.day - s.first_day - 1)
    if 1 <= stage <= 3:
        earliest, latest = days_left(s.days, n, float(p.hours[k, stage - 1] - clock))
        if s.since[k] != NEVER:
            calendar = max(0.0, float(s.since[k] + p.days[k, stage - 1] - at) / DAY)
            # The calendar needs no forecast: it is the latest at any use.
            latest = calendar if not latest < calendar else latest
            earliest = calendar if earliest > calendar else earliest
    # No end in sight is not known either.
    earliest = earliest if earliest < np.inf else np.nan
    latest = latest if latest < np.inf else np.nan
    return float(clock), since, earliest, latest


@part
def _turn(s: Any, p: Any, k: int, stage: int, at: int, clock: int, out: Any, n: int, g: int) -> int:
    """From here on item k is at this stage; the one before is over."""
    before = s.stage[k]
    if before > 0:
        priority = MEDIUM if before == 3 else LOW
        evidence = outlook(s, p, k, before + 1, at, clock)
        n = emit(out, n, g, 3 * k + before - 1, CLEARED, s.onset[k], at, priority, evidence)
    s.stage[k] = stage
    s.onset[k] = at if stage > 0 else NEVER
    if stage > 0:
        priority = MEDIUM if stage == 3 else LOW
        evidence = outlook(s, p, k, stage + 1, at, clock)
        n = emit(out, n, g, 3 * k + stage - 1, RAISED, at, at, priority, evidence)
    return n


@part
def _reaches(s: Any, p: Any, k: int, stage: int, lo: int, work: int) -> int:
    """When item k reaches a stage, at lo or later, if the carrier works from lo up to `work`."""
    at = _FOREVER
    missing = p.hours[k, stage - 1] - s.clock[k]
    if missing <= 0:
        at = lo
    elif lo + missing <= work:
        at = lo + missing
    if s.since[k] != NEVER:
        at = min(at, max(lo, s.since[k] + p.days[k, stage - 1]))
    return at


@part
def _settle_item(s: Any, p: Any, k: int, lo: int, hi: int, works: int, out: Any, n: int, g: int) -> int:
    """Time runs for item k from lo to hi, the carrier working up to `works`."""
    lo = max(lo, s.start[k])
    if lo > hi:
        return n
    work = max(lo, min(hi, works))
    while s.stage[k] < 3:
        stage = s.stage[k] + 1
        at = max(s.not_before, _reaches(s, p, k, stage, lo, work))
        if at > hi:
            break
        while stage < 3 and max(s.not_before, _reaches(s, p, k, stage + 1, lo, work)) == at:
            stage += 1
        n = _turn(s, p, k, stage, at, s.clock[k] + max(0, min(at, work) - lo), out, n, g)
    s.clock[k] += work - lo
    return n


@part
def settle(s: Any, p: Any, hi: int, works: int, out: Any, n: int, g: int) -> int:
    """Time runs to hi, the carrier working up to `works`."""
    while True:
        lo = s.done
        edge = (s.day + 1) * DAY
        stop = min(hi, edge)
        for k in range(2):
            n = _settle_item(s, p, k, lo, stop, works, out, n, g)
        s.meter += max(0, min(stop, works) - max(lo, s.meter_start))
        ran = max(0, min(stop, works) - lo)
        s.total += ran
        s.today += ran
        s.done = stop
        if stop < edge:
            return n
        if s.day > s.first_day:
            s.days[(s.day - s.first_day - 1) % DAYS] = s.today
        s.today = 0
        s.day += 1


@part
def begin(s: Any, at: int) -> None:
    """The first that is heard of the hammer."""
    if s.done == NEVER:
        s.done = at
        s.day = at // DAY
        s.first_day = s.day


@part
def _see_to(s: Any, p: Any, k: int, event: Any, upto: int, out: Any, n: int, g: int) -> int:
    """Item k was seen to."""
    at = event.at
    n = _settle_item(s, p, k, s.done, min(at, upto), NEVER, out, n, g)
    happened = at - event.age
    n = _turn(s, p, k, 0, at, s.clock[k], out, n, g)
    # Told of only later: the carrier may have worked all the while since.
    s.clock[k] = min(s.clock[k], event.age)
    s.since[k] = max(s.since[k], happened) if s.seen_to[k] else happened
    s.seen_to[k] = 1
    s.start[k] = at
    return _settle_item(s, p, k, at, at, NEVER, out, n, g)


@part
def _read_meter(s: Any, p: Any, event: Any, upto: int, out: Any, n: int, g: int) -> int:
    """Somebody read the carrier's hour meter."""
    at, told, stood = event.at, event.value, s.meter
    if event.detail == _READING and told < stood <= told + event.age:
        # Told of only later: what is missing may have been worked since it was read.
        told = stood
    if event.detail == _READING and told < stood:
        if s.meter_onset == NEVER:
            s.meter_onset = at
            s.meter_stood = stood
            s.meter_told = told
            n = emit(out, n, g, METER, RAISED, at, at, LOW, (float(stood), float(told)))
        return n
    if s.meter_onset != NEVER:
        evidence = (float(s.meter_stood), float(s.meter_told))
        n = emit(out, n, g, METER, CLEARED, s.meter_onset, at, LOW, evidence)
        s.meter_onset = NEVER
    known = s.meter_known
    s.meter_known = 1
    s.meter = told
    s.meter_start = at
    # The first figure says nothing of when the hammer was last seen to.
    if known and event.detail != _MOVED and event.detail != _REPLACED:
        for k in range(2):
            n = _settle_item(s, p, k, s.done, min(at, upto), NEVER, out, n, g)
            s.clock[k] = max(0, s.clock[k] + told - stood)
            s.start[k] = at
            n = _turn_to_clock(s, p, k, at, out, n, g)
    return n


@part
def _turn_to_clock(s: Any, p: Any, k: int, at: int, out: Any, n: int, g: int) -> int:
    """Bring the stage of item k in line with its clock, which has just been set."""
    stage = 0
    while stage < 3 and _reaches(s, p, k, stage + 1, at, at) <= at:
        stage += 1
    if stage != s.stage[k]:
        n = _turn(s, p, k, stage, at, s.clock[k], out, n, g)
    return n


@part
def _correct(s: Any, p: Any, event: Any, upto: int, out: Any, n: int, g: int) -> int:
    """An entry was wrong. One that happened before the wrong one took effect stands in its place; one that happened
    later is taken like any that is told of late, but for what the wrong one shows to have been worked before it."""
    j = find(s.kept, s.count, event.wrong, event.wrong_time)
    at = event.at
    happened = at - event.age
    for k in range(2):
        n = _settle_item(s, p, k, s.done, min(at, upto), NEVER, out, n, g)
    if event.right == event.wrong and happened <= s.kept[j, AT]:
        s.kept[j, TIME] = happened
        s.kept[j, AGE] = s.kept[j, AT] - happened
        s.kept[j, VALUE] = event.value
        s.kept[j, DETAIL] = event.detail
    else:
        worked = s.kept[j, TOTAL]
        s.count = remove(s.kept, s.count, j)
        if event.right == event.wrong:
            _note(s, event, event.right)
            last = s.count - 1
            s.kept[last, AGE] = min(event.age, s.kept[last, TOTAL] - worked)
    f = sums(s)
    for k in range(2):
        s.since[k] = f[SINCE + k] if f[SEEN + k] else s.first_row
        s.seen_to[k] = f[SEEN + k]
        s.clock[k] = s.total - f[ZERO + k]
        s.start[k] = s.last_row + f[DROP + k] if f[DROP + k] > 0 else NEVER
    s.meter = s.total - f[METER_BASE]
    s.meter_known = f[KNOWN]
    s.meter_start = s.last_row + f[METER_DROP] if f[METER_DROP] > 0 else NEVER
    s.not_before = at
    if s.meter_onset != NEVER and not f[FAULT]:
        evidence = (float(s.meter_stood), float(s.meter_told))
        n = emit(out, n, g, METER, CLEARED, s.meter_onset, at, LOW, evidence)
        s.meter_onset = NEVER
    if f[FAULT]:
        s.meter_stood = f[STOOD]
        s.meter_told = f[TOLD]
        if s.meter_onset == NEVER:
            s.meter_onset = at
            evidence = (float(s.meter_stood), float(s.meter_told))
            n = emit(out, n, g, METER, RAISED, at, at, LOW, evidence)
    for k in range(2):
        n = _turn_to_clock(s, p, k, at, out, n, g)
    return n


@part
def _note(s: Any, event: Any, kind: int) -> None:
    """Put an entry on record, everything being settled up to it."""
    part_of_interval = 0
    if not s.has_engine_rpm and s.last_row != NEVER:
        part_of_interval = max(0, event.at - s.last_row)
    keep(s, event, kind, part_of_interval)


@part
def row_comes(s: Any, counts: int) -> None:
    """The next row has come: the interval since the last is settled, and counts or not."""
    if not counts:
        settle_drops(s)


@part
def take(s: Any, p: Any, event: Any, upto: int, out: Any, n: int, g: int) -> int:
    """An event takes effect; where it comes after the watermark, nothing is known of the time between."""
    corrects = event.kind == CORRECTED and (
        event.wrong == INSPECTED or event.wrong == METERED or event.wrong == SERVICED
    )
    kind = event.kind
    if corrects:
        found = find(s.kept, s.count, event.wrong, event.wrong_time) >= 0
        if not found:
            # What it replaces cannot be taken back any more, but it happened itself.
            s.not_found += 1
            corrects = False
            kind = event.right
    served = kind == SERVICED and event.detail == 1
    if corrects or kind in (INSPECTED, METERED) or served:
        begin(s, event.at)
        if s.has_engine_rpm:
            n = settle(s, p, max(min(event.at, upto), s.done), s.rpm_until, out, n, g)
        if corrects:
            return _correct(s, p, event, upto, out, n, g)
        _note(s, event, kind)
        if kind == METERED:
            return _read_meter(s, p, event, upto, out, n, g)
        return _see_to(s, p, 1 if served else 0, event, upto, out, n, g)
    return n


@part
def quiet_until(s: Any, p: Any) -> int:
    """Up to when nothing can happen but that hours add up, if no event does; NEVER where that cannot be told."""
    if s.last_row == NEVER or s.start[0] > s.done or s.start[1] > s.done or s.meter_start > s.done:
        return NEVER
    if s.count > 0 and s.kept[s.count - 1, BEFORE] == s.last_row:
        return NEVER  # whether the interval that an entry lies in counts
    quiet = (s.day + 1) * DAY
    for k in range(2):
        if s.stage[k] < 3:
            quiet = min(quiet, s.since[k] + p.days[k, s.stage[k]])
    return quiet  # type: ignore[no-any-return]


@part
def room_left(s: Any, p: Any) -> int:
    """How much can be worked before an item reaches its next stage."""
    room = _FOREVER
    for k in range(2):
        if s.stage[k] < 3:
            room = min(room, p.hours[k, s.stage[k]] - s.clock[k])
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
