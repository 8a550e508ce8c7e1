"""exposure: no fault, but what faults are counted against: how long the carrier worked and the hammer fired.

Time is told in stretches of at most a clock hour, each with one operator and one tool: cut at every sign-on and
sign-off, where a sign-on lapses, and at every tool change. A stretch begins and ends with work; where nothing works
there is none.

The carrier works while its engine is known to turn above `working_rpm`; on a feed without engine speed, from row to
row while they are at most `steady_s` apart. Whether a silence counts is known only when the next row comes, so what
lies after the last row waits here until then, and events in it likewise. Of more than
`WAITING` changes between two such rows only the last ones cut; the stretch before them belongs to who was on when it
began.
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
    GROUP,
    LOW,
    MEASURED,
    NEVER,
    SIGNED,
    emit,
    kernel,
    new_output,
    part,
    sample,
    unchecked,
    written,
)


class Settings(DetectorSettings):
    """What counts as the carrier working."""

    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S


HOUR: Final = 3600 * SECOND
WAITING: Final = 8
"""Changes that the time between two rows may hold; of more the oldest do not cut."""

STATE: Final = np.dtype(
    [
        ("begin", "<i8"),  # the stretch under way: its first instant of work
        ("end", "<i8"),  # and its last so far
        ("operating", "<i8"),  # ns in it
        ("firing", "<i8"),
        ("done", "<i8"),  # settled up to here
        ("last_row", "<i8"),
        ("rpm_until", "<i8"),
        ("has_engine_rpm", "<i8"),
        ("lapses", "<i8"),  # when the sign-on in force lapses
        ("waiting", "<i8"),
        ("at", "<i8", (WAITING,)),
        ("then_lapses", "<i8", (WAITING,)),  # after that event; NEVER: it leaves that as it is
    ]
)
PARAMS: Final = np.dtype([("working_rpm", "<f8"), ("steady", "<i8")])


@part
def _close(state: Any, out: Any) -> None:
    """The stretch under way is over."""
    if state.begin != NEVER:
        emit(out, 0, MEASURED, state.begin, state.end, LOW, (float(state.operating), float(state.firing)))
        state.begin = NEVER
        state.end = NEVER
        state.operating = 0
        state.firing = 0


@part
def _take_event(state: Any, out: Any) -> None:
    """The oldest waiting event takes effect."""
    _close(state, out)
    if state.then_lapses[0] != NEVER:
        state.lapses = state.then_lapses[0]
    for k in range(WAITING - 1):
        state.at[k] = state.at[k + 1]
        state.then_lapses[k] = state.then_lapses[k + 1]
    state.at[WAITING - 1] = 0
    state.then_lapses[WAITING - 1] = 0
    state.waiting -= 1


@part
def _next_change(events: Any, event_index: int, last: int) -> int:
    """The first event from number e on that changes operator or tool; `last` where none does."""
    while event_index < last and events[event_index].kind != SIGNED and events[event_index].kind != FITTED:
        event_index += 1
    return event_index


@part
def _wait(state: Any, event: Any) -> None:
    """Let a change wait; of several at one instant, the last counts."""
    lapses = event.lapses if event.kind == SIGNED else NEVER
    if state.waiting > 0 and state.at[state.waiting - 1] == event.at:
        if lapses != NEVER:
            state.then_lapses[state.waiting - 1] = lapses
        return
    if state.waiting == WAITING:
        if state.then_lapses[0] != NEVER:
            state.lapses = state.then_lapses[0]
        for k in range(WAITING - 1):
            state.at[k] = state.at[k + 1]
            state.then_lapses[k] = state.then_lapses[k + 1]
        state.waiting -= 1
    state.at[state.waiting] = event.at
    state.then_lapses[state.waiting] = lapses
    state.waiting += 1


@part
def _reach(state: Any, now: int, out: Any) -> None:
    """Time is settled up to now: what ends by then ends."""
    while state.waiting > 0 and state.at[0] <= now:
        _take_event(state, out)
    if state.begin != NEVER and (state.begin // HOUR != now // HOUR or state.begin < state.lapses <= now):
        _close(state, out)


@part
def _settle(state: Any, start: int, end: int, works_until: int, fires_until: int, out: Any) -> None:
    """Time runs from lo to hi; from lo on the carrier works, and the hammer fires, up to these instants."""
    work = min(end, max(works_until, fires_until))
    while start < work:
        _reach(state, start, out)
        stop = min(work, start - start % HOUR + HOUR)
        if start < state.lapses < stop:
            stop = state.lapses
        if state.waiting > 0 and state.at[0] < stop:
            stop = state.at[0]
        if state.begin == NEVER:
            state.begin = start
        state.operating += max(0, min(works_until, stop) - start)
        state.firing += max(0, min(fires_until, stop) - start)
        state.end = stop
        start = stop
    state.done = end
    _reach(state, end, out)


@part
def _advance(
    state: Any,
    events: Any,
    event_index: int,
    last: int,
    together: int,
    end: int,
    works_until: int,
    fires_until: int,
    out: Any,
) -> None:
    """Time runs to hi, with the changes on the way; those up to `together` had to wait for it to be settled."""
    while event_index < last and events[event_index].at <= min(together, end):
        if events[event_index].kind == SIGNED or events[event_index].kind == FITTED:
            _wait(state, events[event_index])
        event_index += 1
    if state.done < together < end:
        _settle(state, state.done, together, works_until, fires_until, out)
    while event_index < last and events[event_index].at <= end:
        if events[event_index].kind == SIGNED or events[event_index].kind == FITTED:
            _wait(state, events[event_index])
            _settle(state, state.done, max(state.done, events[event_index].at), works_until, fires_until, out)
        event_index += 1
    _settle(state, state.done, end, works_until, fires_until, out)


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    firing_ends: Any,
    states: Any,
    all_params: Any,
    engine_rpm: Any,
    events: Any,
    findings: Any,
) -> int:
    out = new_output(findings)
    for group in range(len(spans)):
        out.cursor[GROUP] = group
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        event_index = _next_change(events, span.first_event, span.last_event)
        fires_until = unchecked(firing_ends, span.first + group)
        # Up to where nothing can happen but that time is added up: the short way.
        quiet = NEVER
        operating = state.operating
        firing = state.firing
        done = state.done
        last_row = state.last_row
        has_engine_rpm = state.has_engine_rpm
        rpm_until = state.rpm_until
        for i in range(span.first, span.last):
            now = unchecked(time_ns, i)
            if done != NEVER:
                works_until = carrier.works_until(
                    has_engine_rpm, rpm_until, last_row, now, params.steady, done
                )
                together = NEVER if has_engine_rpm else last_row + params.steady
                if now < quiet and works_until >= now:
                    operating += now - done
                    if fires_until > done:
                        firing += min(fires_until, now) - done
                    done = now
                else:
                    if quiet != NEVER:
                        state.end = done
                    state.operating = operating
                    state.firing = firing
                    state.done = done
                    _advance(
                        state,
                        events,
                        event_index,
                        span.last_event,
                        together,
                        now,
                        works_until,
                        fires_until,
                        out,
                    )
                    while event_index < span.last_event and events[event_index].at <= now:
                        event_index = _next_change(events, event_index + 1, span.last_event)
                    operating = state.operating
                    firing = state.firing
                    done = now
                    quiet = NEVER
                    if state.begin != NEVER and state.end == now:
                        quiet = now - now % HOUR + HOUR
                        if now < state.lapses < quiet:
                            quiet = state.lapses
                        if state.waiting > 0 and state.at[0] < quiet:
                            quiet = state.at[0]
                        if event_index < span.last_event and events[event_index].at < quiet:
                            quiet = events[event_index].at
            else:
                done = now
            value = sample(engine_rpm, i)
            if value == value:
                has_engine_rpm = 1
                rpm_until = carrier.turns_until(value, now, params.working_rpm)
            last_row = now
            fires_until = unchecked(firing_ends, i + 1 + group)
        if quiet != NEVER:
            state.end = done
        state.operating = operating
        state.firing = firing
        state.done = done
        state.last_row = last_row
        state.has_engine_rpm = has_engine_rpm
        state.rpm_until = rpm_until
        if done != NEVER and span.upto > done and (has_engine_rpm or span.upto - last_row > params.steady):
            works_until = rpm_until if has_engine_rpm else done
            together = NEVER if has_engine_rpm else last_row + params.steady
            _advance(
                state,
                events,
                event_index,
                span.last_event,
                together,
                span.upto,
                works_until,
                fires_until,
                out,
            )
            while event_index < span.last_event and events[event_index].at <= span.upto:
                event_index = _next_change(events, event_index + 1, span.last_event)
        while event_index < span.last_event:
            _wait(state, events[event_index])
            event_index = _next_change(events, event_index + 1, span.last_event)
        if report and state.begin != NEVER:
            emit(out, 0, MEASURED, state.begin, state.end, LOW, (float(state.operating), float(state.firing)))
    return written(out)


def _params(settings: Settings) -> tuple[Any, ...]:
    return settings.working_rpm, instant.seconds(settings.steady_s)


def _under_way(record: Any, params: Any, upto: int) -> Iterator[int]:
    """Where the stretch under way began, and where others may, once what lies after the last row is settled."""
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
    reads=("engine_rpm", "events"),
    fresh={
        "begin": NEVER,
        "end": NEVER,
        "done": NEVER,
        "last_row": NEVER,
        "rpm_until": NEVER,
        "lapses": NEVER,
    },
    notes=True,
    horizon=lambda _settings: 0,
    under_way=_under_way,
)
