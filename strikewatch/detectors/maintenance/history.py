"""How the clocks of upkeep and the hour meter follow from the entries on record, one entry after the other.

An entry is kept with the operating time in all when it took effect. On a feed without engine speed that is the time
up to the row before it; the part of the interval from there to the entry is dropped from the clocks that it sets, if
the interval turns out to count at all. `f` below holds what the entries up to one amount to: [SUMS] int64.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS
from strikewatch.detectors.kernels import (
    INSPECTED,
    METERED,
    NEVER,
    SERVICED,
    part,
)
from strikewatch.detectors.maintenance import corrections
from strikewatch.detectors.maintenance.corrections import AT, KEPT, KIND, TIME, remove

TOTAL: Final = corrections.COLUMNS  # operating ns in all when it took effect
BEFORE: Final = TOTAL + 1  # the row before it; NEVER where nothing is unsettled
PART: Final = TOTAL + 2  # the part of the interval from there to the entry, ns
AGE: Final = TOTAL + 3  # at most so much was worked since it happened, ns
VALUE: Final = TOTAL + 4
DETAIL: Final = TOTAL + 5
COLUMNS: Final = TOTAL + 6

ZERO: Final = 0  # operating ns in all at which each item's clock was zero
DROP: Final = 2  # what is dropped from it of the interval that began with ROW
SINCE: Final = 4
SEEN: Final = 6  # whether it was ever seen to
METER_BASE: Final = 8
METER_DROP: Final = 9
KNOWN: Final = 10  # whether a figure of the meter was ever taken
FAULT: Final = 11  # a reading below the meter, and no better one since:
STOOD: Final = 12
TOLD: Final = 13
ROW: Final = 14
SUMS: Final = 15

_REPLACED: Final = METER_REASONS.index("replaced")
_MOVED: Final = METER_REASONS.index("moved")
_READING: Final = METER_REASONS.index("reading")


@part
def keep(state: Any, event: Any, kind: int, part_of_interval: int) -> None:
    """Put an entry on record; of more than can be kept the oldest counts for good."""
    if state.count == KEPT:
        advance(state.floor, state.kept, 0)
        state.count = remove(state.kept, state.count, 0)
    j = state.count
    state.count = j + 1
    state.kept[j, KIND] = kind
    state.kept[j, TIME] = event.at - event.age
    state.kept[j, AT] = event.at
    state.kept[j, TOTAL] = state.total
    state.kept[j, BEFORE] = state.last_row if part_of_interval > 0 else NEVER
    state.kept[j, PART] = part_of_interval
    state.kept[j, AGE] = event.age
    state.kept[j, VALUE] = event.value
    state.kept[j, DETAIL] = event.detail


@part
def settle_drops(state: Any) -> None:
    """The interval since the last row does not count: nothing is dropped of it."""
    if state.floor[ROW] == state.last_row:
        for k in range(2):
            state.floor[DROP + k] = 0
        state.floor[METER_DROP] = 0
    j = state.count - 1
    while j >= 0 and state.kept[j, BEFORE] == state.last_row:
        state.kept[j, PART] = 0
        j -= 1


@part
def _leave_interval(totals: Any) -> None:
    """What is dropped of an interval that is over is dropped for good."""
    for k in range(2):
        totals[ZERO + k] += totals[DROP + k]
        totals[DROP + k] = 0
    totals[METER_BASE] += totals[METER_DROP]
    totals[METER_DROP] = 0


@part
def advance(totals: Any, kept: Any, j: int) -> None:
    """What entry j does: `due` says the same of an entry when it comes."""
    if kept[j, BEFORE] == NEVER or kept[j, BEFORE] != totals[ROW]:
        _leave_interval(totals)
        totals[ROW] = kept[j, BEFORE]
    total, dropped = kept[j, TOTAL], kept[j, PART]
    if kept[j, KIND] == INSPECTED or kept[j, KIND] == SERVICED:
        k = 1 if kept[j, KIND] == SERVICED else 0
        totals[ZERO + k] = max(totals[ZERO + k], total - kept[j, AGE])
        totals[DROP + k] = dropped
        totals[SINCE + k] = max(totals[SINCE + k], kept[j, TIME]) if totals[SEEN + k] else kept[j, TIME]
        totals[SEEN + k] = 1
    elif kept[j, KIND] == METERED:
        told, stood, reading = kept[j, VALUE], total - totals[METER_BASE], kept[j, DETAIL] == _READING
        if reading and told < stood <= told + kept[j, AGE]:
            told = stood
        if reading and told < stood:
            if not totals[FAULT]:
                totals[FAULT] = 1
                totals[STOOD] = stood
                totals[TOLD] = told
            return
        totals[FAULT] = 0
        totals[METER_BASE] = total - told
        totals[METER_DROP] = dropped
        if totals[KNOWN] and kept[j, DETAIL] != _MOVED and kept[j, DETAIL] != _REPLACED:
            for k in range(2):
                totals[ZERO + k] = min(total, totals[ZERO + k] - (told - stood))
                totals[DROP + k] = dropped
        totals[KNOWN] = 1


@part
def sums(state: Any) -> Any:
    """What all entries on record amount to [SUMS]; nothing is left to be dropped but of the interval under way."""
    totals = np.empty(SUMS, np.int64)
    for k in range(SUMS):
        totals[k] = state.floor[k]
    for j in range(state.count):
        advance(totals, state.kept, j)
    if totals[ROW] == NEVER or totals[ROW] != state.last_row:
        _leave_interval(totals)
    return totals
