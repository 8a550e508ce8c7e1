"""Items due by operating hours or by days, and the hour meter: the rules of `upkeep`.

On a feed without engine speed the time since the last row counts only once the next row has come, or too long a
silence has passed. An event in between takes effect at once, and the timers run on from there.

`history` defines how the timers follow from all entries, for when one of them turns out to be wrong.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.base import FOREVER
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
    STANDING,
    emit,
    part,
    scratch,
)
from strikewatch.detectors.maintenance.corrections import AT, find, replace_or_remove
from strikewatch.detectors.maintenance.forecast import DAY, DAYS, days_left
from strikewatch.detectors.maintenance.history import (
    AGE,
    BEFORE,
    DETAIL,
    DONE,
    DROP,
    EXPECTED,
    METER_BASE,
    METER_DROP,
    METER_KNOWN,
    METER_WRONG,
    READING,
    SINCE,
    TOTAL,
    TOTALS,
    VALUE,
    ZERO,
    accepted_reading,
    add_up,
    adjusts_timers,
    record,
)

ITEMS: Final = ("inspection", "service")
STAGES: Final = ("soon", "due", "overdue")
METER: Final = len(ITEMS) * len(STAGES)
"""Index of the fault of the meter, after those of each item and stage."""


@part
def item_evidence(
    state: Any, params: Any, k: int, stage: int, at: int, clock: int
) -> tuple[float, float, float, float]:
    """Return the evidence of item k: operating ns and ns since it was last done, and days until `stage` (1 to 3).

    The days are the earliest and latest forecast from the use of past days, and by the calendar; NaN if unknown.
    """
    earliest, latest = np.nan, np.nan
    since = float(at - state.since[k]) if state.since[k] != NEVER else np.nan
    days_known = min(DAYS, state.day - state.first_day - 1)
    if 1 <= stage <= 3:
        earliest, latest = days_left(state.days, days_known, float(params.hours[k, stage - 1] - clock))
        if state.since[k] != NEVER:
            calendar = max(0.0, float(state.since[k] + params.days[k, stage - 1] - at) / DAY)
            # The calendar needs no forecast: it is the latest whatever the use.
            latest = calendar if not latest < calendar else latest
            earliest = calendar if earliest > calendar else earliest
    earliest = earliest if earliest < np.inf else np.nan
    latest = latest if latest < np.inf else np.nan
    return float(clock), since, earliest, latest


@part
def _emit_item(state: Any, params: Any, k: int, step: int, at: int, clock: int, out: Any) -> None:
    """Write a step of the fault of item k at its stage."""
    stage = state.stage[k]
    if stage > 0:
        evidence = item_evidence(state, params, k, stage + 1, at, clock)
        emit(out, 3 * k + stage - 1, step, state.onset[k], at, MEDIUM if stage == 3 else LOW, evidence)


@part
def _set_stage(state: Any, params: Any, k: int, stage: int, at: int, clock: int, out: Any) -> None:
    """Clear the fault of item k at its stage, and raise that of another stage."""
    _emit_item(state, params, k, CLEARED, at, clock, out)
    state.stage[k] = stage
    state.onset[k] = at if stage > 0 else NEVER
    _emit_item(state, params, k, RAISED, at, clock, out)


@part
def _reached_at(state: Any, params: Any, k: int, stage: int, start: int, works_until: int) -> int:
    """Return when item k reaches a stage, from `start` on, if the carrier works until `works_until`."""
    at = FOREVER
    missing = params.hours[k, stage - 1] - state.clock[k]
    if missing <= 0:
        at = start
    elif start + missing <= works_until:
        at = start + missing
    if state.since[k] != NEVER:
        at = min(at, max(start, state.since[k] + params.days[k, stage - 1]))
    return at


@part
def _advance_item(state: Any, params: Any, k: int, start: int, end: int, works_until: int, out: Any) -> None:
    """Advance item k from `start` to `end`."""
    start = max(start, state.start[k])
    if start > end:
        return
    works_until = max(start, min(end, works_until))
    while state.stage[k] < 3:
        stage = state.stage[k] + 1
        at = max(state.not_before, _reached_at(state, params, k, stage, start, works_until))
        if at > end:
            break
        while (
            stage < 3
            and max(state.not_before, _reached_at(state, params, k, stage + 1, start, works_until)) == at
        ):
            stage += 1
        clock = state.clock[k] + max(0, min(at, works_until) - start)
        _set_stage(state, params, k, stage, at, clock, out)
    state.clock[k] += works_until - start


@part
def advance(state: Any, params: Any, end: int, works_until: int, out: Any) -> None:
    """Advance all items and the meter to `end`, the carrier working until `works_until`; count the hours by day."""
    while True:
        start = state.done
        midnight = (state.day + 1) * DAY
        stop = min(end, midnight)
        for k in range(2):
            _advance_item(state, params, k, start, stop, works_until, out)
        state.meter += max(0, min(stop, works_until) - max(start, state.meter_start))
        worked = max(0, min(stop, works_until) - start)
        state.total += worked
        state.today += worked
        state.done = stop
        if stop < midnight:
            return
        if state.day > state.first_day:
            state.days[(state.day - state.first_day - 1) % DAYS] = state.today
        state.today = 0
        state.day += 1


@part
def begin(state: Any, at: int) -> None:
    """Begin to count, unless that was done before."""
    if state.done == NEVER:
        state.done = at
        state.day = at // DAY
        state.first_day = state.day


@part
def _complete(state: Any, params: Any, k: int, event: Any, out: Any) -> None:
    """Apply the event that completes item k."""
    at = event.at
    happened = at - event.age
    _set_stage(state, params, k, 0, at, state.clock[k], out)
    # If it was entered only later, the carrier may have worked all the time since.
    state.clock[k] = min(state.clock[k], event.age)
    state.since[k] = max(state.since[k], happened) if state.completed[k] else happened
    state.completed[k] = 1
    state.start[k] = at
    _advance_item(state, params, k, at, at, NEVER, out)


@part
def _raise_meter(state: Any, at: int, expected: int, reading: int, out: Any) -> None:
    if state.meter_onset == NEVER:
        state.meter_expected = expected
        state.meter_reading = reading
        evidence = (float(expected), float(reading))
        state.meter_onset = emit(out, METER, RAISED, at, at, LOW, evidence)


@part
def _clear_meter(state: Any, at: int, out: Any) -> None:
    evidence = (float(state.meter_expected), float(state.meter_reading))
    state.meter_onset = emit(out, METER, CLEARED, state.meter_onset, at, LOW, evidence)


@part
def _read_meter(state: Any, params: Any, event: Any, upto: int, out: Any) -> None:
    """Apply a reading of the carrier's hour meter."""
    at, expected = event.at, state.meter
    reading = accepted_reading(event.value, expected, event.age, event.detail)
    if reading == NEVER:
        _raise_meter(state, at, expected, event.value, out)
        return
    _clear_meter(state, at, out)
    adjusts = adjusts_timers(state.meter_known, event.detail)
    state.meter_known = 1
    state.meter = reading
    state.meter_start = at
    if adjusts:
        for k in range(2):
            _advance_item(state, params, k, state.done, min(at, upto), NEVER, out)
            state.clock[k] = max(0, state.clock[k] + reading - expected)
            state.start[k] = at
            _update_stage(state, params, k, at, out)


@part
def _update_stage(state: Any, params: Any, k: int, at: int, out: Any) -> None:
    """Set the stage of item k by its clock, which was just set."""
    stage = 0
    while stage < 3 and _reached_at(state, params, k, stage + 1, at, at) <= at:
        stage += 1
    if stage != state.stage[k]:
        _set_stage(state, params, k, stage, at, state.clock[k], out)


@part
def _correct(state: Any, params: Any, j: int, event: Any, upto: int, out: Any) -> None:
    """Apply the correction of entry j.

    A replacement that counts as a late entry still counts the work that the wrong one proves to have come before it.
    """
    at = event.at
    happened = at - event.age
    for k in range(2):
        _advance_item(state, params, k, state.done, min(at, upto), NEVER, out)
    worked = state.kept[j, TOTAL]
    if replace_or_remove(state, j, event.right == event.wrong, happened):
        state.kept[j, AGE] = state.kept[j, AT] - happened
        state.kept[j, VALUE] = event.value
        state.kept[j, DETAIL] = event.detail
    elif event.right == event.wrong:
        record(state, event, event.right)
        last = state.count - 1
        state.kept[last, AGE] = min(event.age, state.kept[last, TOTAL] - worked)
    totals = scratch(TOTALS, np.int64)
    add_up(state, totals)
    for k in range(2):
        state.since[k] = totals[SINCE + k] if totals[DONE + k] else state.first_row
        state.completed[k] = totals[DONE + k]
        state.clock[k] = state.total - totals[ZERO + k]
        state.start[k] = state.last_row + totals[DROP + k] if totals[DROP + k] > 0 else NEVER
    state.meter = state.total - totals[METER_BASE]
    state.meter_known = totals[METER_KNOWN]
    state.meter_start = state.last_row + totals[METER_DROP] if totals[METER_DROP] > 0 else NEVER
    state.not_before = at
    if totals[METER_WRONG]:
        _raise_meter(state, at, totals[EXPECTED], totals[READING], out)
        state.meter_expected = totals[EXPECTED]
        state.meter_reading = totals[READING]
    else:
        _clear_meter(state, at, out)
    for k in range(2):
        _update_stage(state, params, k, at, out)


@part
def apply_event(state: Any, params: Any, event: Any, upto: int, out: Any) -> None:
    """Apply an event. If it is after the watermark, nothing is known of the time between."""
    corrects = event.kind == CORRECTED and (
        event.wrong == INSPECTED or event.wrong == METERED or event.wrong == SERVICED
    )
    kind = event.kind
    j = -1
    if corrects:
        j = find(state, event.wrong, event.wrong_time)
        if j < 0:
            # The wrong entry can no longer be withdrawn, but what replaces it happened all the same.
            state.not_found += 1
            kind = event.right
    serviced = kind == SERVICED and event.detail == 1
    if j < 0 and kind != INSPECTED and kind != METERED and not serviced:
        return
    begin(state, event.at)
    if state.has_engine_rpm:
        advance(state, params, max(min(event.at, upto), state.done), state.rpm_until, out)
    if j >= 0:
        _correct(state, params, j, event, upto, out)
        return
    record(state, event, kind)
    if kind == METERED:
        _read_meter(state, params, event, upto, out)
        return
    k = 1 if serviced else 0
    _advance_item(state, params, k, state.done, min(event.at, upto), NEVER, out)
    _complete(state, params, k, event, out)


@part
def report_active(state: Any, params: Any, upto: int, out: Any) -> None:
    """Write the faults active at the watermark."""
    for k in range(2):
        _emit_item(state, params, k, STANDING, upto, state.clock[k], out)
    evidence = (float(state.meter_expected), float(state.meter_reading))
    emit(out, METER, STANDING, state.meter_onset, upto, LOW, evidence)


@part
def uneventful_until(state: Any, params: Any) -> int:
    """Return until when time only adds to the hours, if no event comes and no stage is reached by hours.

    NEVER where that is unknown: an event lies in the interval under way.
    """
    if max(state.start[0], state.start[1], state.meter_start) > state.done or state.last_row == NEVER:
        return NEVER
    if state.count > 0 and state.kept[state.count - 1, BEFORE] == state.last_row:
        return NEVER
    until = (state.day + 1) * DAY
    for k in range(2):
        if state.stage[k] < 3:
            until = min(until, state.since[k] + params.days[k, state.stage[k]])
    return until  # type: ignore[no-any-return]


@part
def work_left(state: Any, params: Any) -> int:
    """Return how much can be worked before an item reaches its next stage, ns."""
    left = FOREVER
    for k in range(2):
        if state.stage[k] < 3:
            left = min(left, params.hours[k, state.stage[k]] - state.clock[k])
    return left
