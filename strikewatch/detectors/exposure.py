"""exposure: not a fault, but what faults are counted against: how long the carrier worked and the hammer fired.

Time is measured in stretches of at most a clock hour, each with one operator and one tool. They are cut at every
sign-on and sign-off, where a sign-on lapses, and at every tool change. A stretch begins and ends with work; where
nothing works there is none.

When the carrier works is defined in `carrier`. On a feed without engine speed the time after the last row counts only
once the next row has come, so events in it wait until then. If there are more than `WAITING` of them, only the last
ones cut; the stretch before them belongs to the operator at its beginning.
"""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.detectors import carrier
from strikewatch.detectors.base import Detector, DetectorSettings
from strikewatch.detectors.kernels import (
    FITTED,
    LOW,
    MEASURED,
    NEVER,
    SIGNED,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, value_at


class Settings(DetectorSettings):
    """What counts as the carrier working."""

    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S


HOUR: Final = 3600 * SECOND
WAITING: Final = 8
"""Events that can wait between two rows; of more the oldest do not cut."""

STATE: Final = np.dtype(
    [
        ("begin", "<i8"),  # the stretch under way: its first instant of work; NEVER if there is none
        ("end", "<i8"),  # its last instant of work so far
        ("operating", "<i8"),  # ns of work in it
        ("firing", "<i8"),  # ns of firing in it
        ("done", "<i8"),  # all time is counted up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),  # how long the engine is known to turn fast enough
        ("has_engine_rpm", "<i8"),
        ("lapses", "<i8"),  # when the current sign-on lapses
        ("waiting", "<i8"),  # number of waiting events
        ("at", "<i8", (WAITING,)),
        ("then_lapses", "<i8", (WAITING,)),  # `lapses` after that event; NEVER: unchanged
    ]
)
PARAMS: Final = np.dtype([("working_rpm", "<f8"), ("steady", "<i8")])


@part
def _close(state: Any, out: Any) -> None:
    """End the stretch under way."""
    if state.begin != NEVER:
        emit(out, 0, MEASURED, state.begin, state.end, LOW, (float(state.operating), float(state.firing)))
        state.begin = NEVER
        state.end = NEVER
        state.operating = 0
        state.firing = 0


@part
def _changes(event: Any) -> bool:
    """Tell whether an event changes operator or tool."""
    return event.kind == SIGNED or event.kind == FITTED  # type: ignore[no-any-return]


@part
def _next_change(events: Any, k: int, last: int) -> int:
    """Return the first event from number k on that changes operator or tool; `last` if none does."""
    while k < last and not _changes(events[k]):
        k += 1
    return k


@part
def _apply_oldest(state: Any) -> None:
    """Apply the oldest waiting event to the sign-on, and remove it."""
    if state.then_lapses[0] != NEVER:
        state.lapses = state.then_lapses[0]
    for k in range(WAITING - 1):
        state.at[k] = state.at[k + 1]
        state.then_lapses[k] = state.then_lapses[k + 1]
    state.at[WAITING - 1] = 0
    state.then_lapses[WAITING - 1] = 0
    state.waiting -= 1


@part
def _enqueue(state: Any, event: Any) -> None:
    """Add an event to the waiting ones; of several at one instant the last counts."""
    lapses = event.lapses if event.kind == SIGNED else NEVER
    if state.waiting > 0 and state.at[state.waiting - 1] == event.at:
        if lapses != NEVER:
            state.then_lapses[state.waiting - 1] = lapses
        return
    if state.waiting == WAITING:
        _apply_oldest(state)
    state.at[state.waiting] = event.at
    state.then_lapses[state.waiting] = lapses
    state.waiting += 1


@part
def _cut(state: Any, now: int, out: Any) -> None:
    """End the stretch if an event, the lapse of the sign-on or the clock hour ends it by now."""
    while state.waiting > 0 and state.at[0] <= now:
        _close(state, out)
        _apply_oldest(state)
    if state.begin != NEVER and (state.begin // HOUR != now // HOUR or state.begin < state.lapses <= now):
        _close(state, out)


@part
def _next_cut(state: Any, now: int) -> int:
    """Return the next instant after now at which a stretch is cut, if no further event comes."""
    cut = now - now % HOUR + HOUR
    if now < state.lapses < cut:
        cut = state.lapses
    if state.waiting > 0 and state.at[0] < cut:
        cut = state.at[0]
    return cut


@part
def _count(state: Any, start: int, end: int, works_until: int, fires_until: int, out: Any) -> None:
    """Count the time from `start` to `end`, with the cuts in it."""
    work = min(end, max(works_until, fires_until))
    while start < work:
        _cut(state, start, out)
        stop = min(work, _next_cut(state, start))
        if state.begin == NEVER:
            state.begin = start
        state.operating += max(0, min(works_until, stop) - start)
        state.firing += max(0, min(fires_until, stop) - start)
        state.end = stop
        start = stop
    state.done = end
    _cut(state, end, out)


@part
def _advance(
    state: Any,
    events: Any,
    k: int,
    last: int,
    end: int,
    steady: int,
    works_until: int,
    fires_until: int,
    out: Any,
) -> int:
    """Advance to `end` with the events from number k on; return the number of the next event.

    On a feed without engine speed the events up to `steady` after the last row had to wait until it was known whether
    the time before them counts.
    """
    known_from = NEVER if state.has_engine_rpm else state.last_row + steady
    while k < last and events[k].at <= min(known_from, end):
        _enqueue(state, events[k])
        k = _next_change(events, k + 1, last)
    if state.done < known_from < end:
        _count(state, state.done, known_from, works_until, fires_until, out)
    while k < last and events[k].at <= end:
        _enqueue(state, events[k])
        _count(state, state.done, max(state.done, events[k].at), works_until, fires_until, out)
        k = _next_change(events, k + 1, last)
    _count(state, state.done, end, works_until, fires_until, out)
    return k


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> bool:
    """Tell whether one stretch goes on, with work throughout and no event; count it."""
    apart = state.begin == NEVER or state.done != tile.since or state.end != tile.since
    if apart or state.waiting or tile.first_event < tile.last_event:
        return False
    if tile.upto >= _next_cut(state, tile.since):
        return False
    if not carrier.works_throughout(tile, state, params, rows, engine_rpm):
        return False
    state.operating += tile.upto - tile.since
    state.firing += tile.fired
    state.done = tile.upto
    state.end = tile.upto
    carrier.take_newest(tile, state, params, rows, engine_rpm)
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any, out: Any) -> None:
    events, last = rows.events, tile.last_event
    firing_ends = firing_by_row(tile, rows)
    k = _next_change(events, tile.first_event, last)
    for i in range(tile.first, tile.last):
        now = unchecked(rows.time_ns, i)
        if state.done != NEVER:
            works_until = carrier.works_until(
                state.has_engine_rpm, state.rpm_until, state.last_row, now, params.steady, state.done
            )
            k = _advance(state, events, k, last, now, params.steady, works_until, firing_ends[i], out)
        state.done = now
        state.last_row = now
        rpm = value_at(tile, engine_rpm, i)
        if rpm == rpm:
            state.has_engine_rpm = 1
            state.rpm_until = carrier.turns_until(rpm, now, params.working_rpm)
    silent = state.has_engine_rpm or not carrier.rows_close(state.last_row, tile.upto, params.steady)
    if state.done != NEVER and tile.upto > state.done and silent:
        works_until = state.rpm_until if state.has_engine_rpm else state.done
        fires_until = firing_ends[tile.last]
        k = _advance(state, events, k, last, tile.upto, params.steady, works_until, fires_until, out)
    while k < last:
        _enqueue(state, events[k])
        k = _next_change(events, k + 1, last)
    if tile.report and state.begin != NEVER:
        emit(out, 0, MEASURED, state.begin, state.end, LOW, (float(state.operating), float(state.firing)))


def _params(settings: Settings) -> tuple[Any, ...]:
    return settings.working_rpm, instant.seconds(settings.steady_s)


def _under_way(record: Any, params: Any, upto: int) -> Iterator[int]:
    """Yield where the stretch under way began, and where others may once the time after the last row is counted."""
    begin, done, lapses = int(record["begin"]), int(record["done"]), int(record["lapses"])
    if begin != NEVER:
        yield begin
    if done == NEVER:
        return
    yield done
    yield from record["at"][: int(record["waiting"])].tolist()
    if lapses > done:
        yield lapses
    yield from range(done - done % HOUR + HOUR, min(upto, done + int(params["steady"])) + 1, HOUR)


DETECTOR: Final = Detector(
    name="exposure",
    version=1,
    faults=(),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("engine_rpm",),
    fresh={
        "begin": NEVER,
        "end": NEVER,
        "done": NEVER,
        "last_row": NEVER,
        "rpm_until": NEVER,
        "lapses": NEVER,
    },
    measures=True,
    horizon=lambda _settings: 0,
    under_way=_under_way,
)
