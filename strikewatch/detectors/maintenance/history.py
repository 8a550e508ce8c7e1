"""The state of `upkeep`, and how its timers and hour meter follow from the entries in its history.

An entry is kept with the total operating time at which it took effect. On a feed without engine speed that is the
total at the row before it. The part of the interval from that row to the entry is dropped from the timers that the
entry sets, if the interval turns out to count at all.

`totals` [TOTALS] int64 holds what a number of entries amount to; its indices are named below.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS
from strikewatch.detectors.base import fields_of
from strikewatch.detectors.kernels import INSPECTED, METERED, NEVER, SERVICED, part
from strikewatch.detectors.maintenance import corrections
from strikewatch.detectors.maintenance.corrections import KEPT, KIND, TIME, append, remove, with_history
from strikewatch.detectors.maintenance.forecast import DAYS

TOTAL: Final = corrections.COLUMNS  # total operating ns when it took effect
BEFORE: Final = TOTAL + 1  # the row before it; NEVER if no interval is open
DROPPED: Final = TOTAL + 2  # the part of the interval from that row to the entry, ns
AGE: Final = TOTAL + 3  # at most this much was worked since it happened, ns
VALUE: Final = TOTAL + 4
DETAIL: Final = TOTAL + 5
COLUMNS: Final = TOTAL + 6

ZERO: Final = 0  # by item, total operating ns at which its clock was zero
DROP: Final = 2  # by item, what is dropped of the interval that began with ROW
SINCE: Final = 4  # by item, when it was last done
DONE: Final = 6  # by item, whether it was ever done
METER_BASE: Final = 8
METER_DROP: Final = 9
METER_KNOWN: Final = 10  # whether the meter was ever read
METER_WRONG: Final = 11  # whether a reading was too low, and none accepted since
EXPECTED: Final = 12  # what the meter should have shown at that reading
READING: Final = 13  # that reading
ROW: Final = 14
TOTALS: Final = 15

FIRST: Final = np.dtype(
    [
        ("clock", "<i8", (2,)),  # by item, operating ns since it was last done
        ("since", "<i8", (2,)),  # by item, when it was last done, or the hammer first seen
        ("completed", "<i8", (2,)),  # by item, whether it was ever done
        ("start", "<i8", (2,)),  # by item, an event within an interval: its clock runs from there
        ("stage", "<i8", (2,)),  # by item, 0: none, 1: soon, 2: due, 3: overdue
        ("onset", "<i8", (2,)),
        ("meter", "<i8"),
        ("meter_known", "<i8"),  # whether it was ever read
        ("meter_start", "<i8"),  # a reading within an interval: the meter runs from there
        ("meter_onset", "<i8"),
        ("meter_expected", "<i8"),  # its value at a reading that was too low
        ("meter_reading", "<i8"),  # that reading
        ("done", "<i8"),  # all time is counted up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),  # how long the engine is known to turn fast enough
        ("has_engine_rpm", "<i8"),
        ("first_day", "<i8"),  # days since 1970, UTC
        ("day", "<i8"),
        ("today", "<i8"),  # operating ns
        ("days", "<i8", (DAYS,)),  # operating ns of past whole days, a ring that begins with the first
    ]
)
"""Version 1 of the state, without a history."""
STATE: Final = with_history(
    FIRST,
    COLUMNS,
    ("total", "<i8"),  # total operating ns
    ("first_row", "<i8"),
    ("not_before", "<i8"),  # time of the last correction: its consequences are found from here on
    ("floor", "<i8", (TOTALS,)),  # what the entries no longer kept amount to
)
PARAMS: Final = np.dtype(
    [
        ("hours", "<i8", (2, 3)),  # by item and stage, ns
        ("days", "<i8", (2, 3)),
        ("working_rpm", "<f8"),
        ("steady", "<i8"),
    ]
)

_REPLACED: Final = METER_REASONS.index("replaced")
_MOVED: Final = METER_REASONS.index("moved")
_READING: Final = METER_REASONS.index("reading")


@part
def accepted_reading(reading: int, expected: int, age: int, reason: int) -> int:
    """Return the hour meter's new value, ns; NEVER if the reading is below the expected one for no reason.

    `age`: how long before its entry it was read: what is missing may have been worked since.
    """
    if reason == _READING and reading < expected:
        return expected if expected <= reading + age else NEVER
    return reading


@part
def adjusts_timers(known: int, reason: int) -> bool:
    """Tell whether work that a reading reveals also counts for the timers.

    The first reading ever may be of years before; that of another meter says nothing about the hammer.
    """
    return known != 0 and reason != _MOVED and reason != _REPLACED


@part
def record(state: Any, event: Any, kind: int) -> None:
    """Add an entry to the history, with all time counted up to it; if that is full, its oldest entry becomes final."""
    if state.count == KEPT:
        _apply(state.floor, state.kept, 0)
        remove(state, 0)
    dropped = 0
    if not state.has_engine_rpm and state.last_row != NEVER:
        dropped = max(0, event.at - state.last_row)
    j = append(state, kind, event.at - event.age, event.at)
    state.kept[j, TOTAL] = state.total
    state.kept[j, BEFORE] = state.last_row if dropped > 0 else NEVER
    state.kept[j, DROPPED] = dropped
    state.kept[j, AGE] = event.age
    state.kept[j, VALUE] = event.value
    state.kept[j, DETAIL] = event.detail


@part
def cancel_drops(state: Any) -> None:
    """Drop nothing of the interval since the last row, because it does not count."""
    if state.floor[ROW] == state.last_row:
        for k in range(2):
            state.floor[DROP + k] = 0
        state.floor[METER_DROP] = 0
    j = state.count - 1
    while j >= 0 and state.kept[j, BEFORE] == state.last_row:
        state.kept[j, DROPPED] = 0
        j -= 1


@part
def _end_interval(totals: Any) -> None:
    """Make what is dropped of an interval final."""
    for k in range(2):
        totals[ZERO + k] += totals[DROP + k]
        totals[DROP + k] = 0
    totals[METER_BASE] += totals[METER_DROP]
    totals[METER_DROP] = 0


@part
def _apply(totals: Any, kept: Any, j: int) -> None:
    """Apply entry j. `due_items` does the same with an entry when it arrives."""
    if kept[j, BEFORE] == NEVER or kept[j, BEFORE] != totals[ROW]:
        _end_interval(totals)
        totals[ROW] = kept[j, BEFORE]
    total, dropped = kept[j, TOTAL], kept[j, DROPPED]
    if kept[j, KIND] == INSPECTED or kept[j, KIND] == SERVICED:
        k = 1 if kept[j, KIND] == SERVICED else 0
        totals[ZERO + k] = max(totals[ZERO + k], total - kept[j, AGE])
        totals[DROP + k] = dropped
        totals[SINCE + k] = max(totals[SINCE + k], kept[j, TIME]) if totals[DONE + k] else kept[j, TIME]
        totals[DONE + k] = 1
    elif kept[j, KIND] == METERED:
        expected = total - totals[METER_BASE]
        reading = accepted_reading(kept[j, VALUE], expected, kept[j, AGE], kept[j, DETAIL])
        if reading == NEVER:
            if not totals[METER_WRONG]:
                totals[METER_WRONG] = 1
                totals[EXPECTED] = expected
                totals[READING] = kept[j, VALUE]
            return
        totals[METER_WRONG] = 0
        totals[METER_BASE] = total - reading
        totals[METER_DROP] = dropped
        if adjusts_timers(totals[METER_KNOWN], kept[j, DETAIL]):
            for k in range(2):
                totals[ZERO + k] = min(total, totals[ZERO + k] - (reading - expected))
                totals[DROP + k] = dropped
        totals[METER_KNOWN] = 1


@part
def add_up(state: Any, totals: Any) -> None:
    """Write what the whole history amounts to [TOTALS]; drops are left only for the interval under way."""
    for k in range(TOTALS):
        totals[k] = state.floor[k]
    for j in range(state.count):
        _apply(totals, state.kept, j)
    if totals[ROW] == NEVER or totals[ROW] != state.last_row:
        _end_interval(totals)


def from_first(old: Any) -> dict[str, Any]:
    """Convert a record of version 1. Earlier entries can no longer be corrected."""
    floor = np.zeros(TOTALS, np.int64)
    completed = old["completed"].astype(bool)
    floor[ZERO : ZERO + 2] = -old["clock"]
    floor[SINCE : SINCE + 2] = old["since"]
    floor[DONE : DONE + 2] = completed
    floor[METER_BASE] = -old["meter"]
    floor[METER_KNOWN] = old["meter_known"]
    floor[METER_WRONG] = old["meter_onset"] != NEVER
    floor[EXPECTED] = old["meter_expected"]
    floor[READING] = old["meter_reading"]
    floor[ROW] = NEVER
    if not old["has_engine_rpm"] and old["last_row"] != NEVER:
        # An event in the interval under way: whether it drops a part of it is still open.
        floor[ROW] = old["last_row"]
        floor[DROP : DROP + 2] = np.maximum(0, old["start"] - old["last_row"])
        floor[METER_DROP] = max(0, int(old["meter_start"]) - int(old["last_row"]))
    first_row = old["since"][~completed].max(initial=NEVER)
    return {**fields_of(old), "floor": floor, "first_row": first_row}
