"""How the clocks of upkeep and the hour meter follow from the entries on record, one entry after the other.

An entry is kept with the operating time in all when it took effect. On a feed without engine speed that is the time
up to the row before it; the part of the interval from there to the entry is dropped from the clocks that it sets, if
the interval turns out to count at all. `f` below holds what the entries up to one amount to: [SUMS] int64.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS
from strikewatch.detectors.kernels import INSPECTED, METERED, NEVER, SERVICED, part
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
def keep(s: Any, event: Any, kind: int, part_of_interval: int) -> None:
    """Put an entry on record; of more than can be kept the oldest counts for good."""
    if s.count == KEPT:
        advance(s.floor, s.kept, 0)
        s.count = remove(s.kept, s.count, 0)
    j = s.count
    s.count = j + 1
    s.kept[j, KIND] = kind
    s.kept[j, TIME] = event.at - event.age
    s.kept[j, AT] = event.at
    s.kept[j, TOTAL] = s.total
    s.kept[j, BEFORE] = s.last_row if part_of_interval > 0 else NEVER
    s.kept[j, PART] = part_of_interval
    s.kept[j, AGE] = event.age
    s.kept[j, VALUE] = event.value
    s.kept[j, DETAIL] = event.detail


@part
def settle_drops(s: Any) -> None:
    """The interval since the last row does not count: nothing is dropped of it."""
    if s.floor[ROW] == s.last_row:
        for k in range(2):
            s.floor[DROP + k] = 0
        s.floor[METER_DROP] = 0
    j = s.count - 1
    while j >= 0 and s.kept[j, BEFORE] == s.last_row:
        s.kept[j, PART] = 0
        j -= 1


@part
def _leave_interval(f: Any) -> None:
    """What is dropped of an interval that is over is dropped for good."""
    for k in range(2):
        f[ZERO + k] += f[DROP + k]
        f[DROP + k] = 0
    f[METER_BASE] += f[METER_DROP]
    f[METER_DROP] = 0


@part
def advance(f: Any, kept: Any, j: int) -> None:
    """What entry j does: `due` says the same of an entry when it comes."""
    if kept[j, BEFORE] == NEVER or kept[j, BEFORE] != f[ROW]:
        _leave_interval(f)
        f[ROW] = kept[j, BEFORE]
    total, dropped = kept[j, TOTAL], kept[j, PART]
    if kept[j, KIND] == INSPECTED or kept[j, KIND] == SERVICED:
        k = 1 if kept[j, KIND] == SERVICED else 0
        f[ZERO + k] = max(f[ZERO + k], total - kept[j, AGE])
        f[DROP + k] = dropped
        f[SINCE + k] = max(f[SINCE + k], kept[j, TIME]) if f[SEEN + k] else kept[j, TIME]
        f[SEEN + k] = 1
    elif kept[j, KIND] == METERED:
        told, stood, reading = kept[j, VALUE], total - f[METER_BASE], kept[j, DETAIL] == _READING
        if reading and told < stood <= told + kept[j, AGE]:
            told = stood
        if reading and told < stood:
            if not f[FAULT]:
                f[FAULT] = 1
                f[STOOD] = stood
                f[TOLD] = told
            return
        f[FAULT] = 0
        f[METER_BASE] = total - told
        f[METER_DROP] = dropped
        if f[KNOWN] and kept[j, DETAIL] != _MOVED and kept[j, DETAIL] != _REPLACED:
            for k in range(2):
                f[ZERO + k] = min(total, f[ZERO + k] - (told - stood))
                f[DROP + k] = dropped
        f[KNOWN] = 1


@part
def sums(s: Any) -> Any:
    """What all entries on record amount to [SUMS]; nothing is left to be dropped but of the interval under way."""
    f = np.empty(SUMS, np.int64)
    for k in range(SUMS):
        f[k] = s.floor[k]
    for j in range(s.count):
        advance(f, s.kept, j)
    if f[ROW] == NEVER or f[ROW] != s.last_row:
        _leave_interval(f)
    return f
