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
    LOW,
    NEVER,
    NOTED,
    SIGNED,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
    sample,
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
def _close(s: Any, out: Any, n: int, g: int) -> int:
    """The stretch under way is over."""
    if s.begin != NEVER:
        n = emit(out, n, g, 0, NOTED, s.begin, s.end, LOW, (float(s.operating), float(s.firing)))
        s.begin = NEVER
        s.end = NEVER
        s.operating = 0
        s.firing = 0
    return n


@part
def _take_event(s: Any, out: Any, n: int, g: int) -> int:
    """The oldest waiting event takes effect."""
    n = _close(s, out, n, g)
    if s.then_lapses[0] != NEVER:
        s.lapses = s.then_lapses[0]
    for k in range(WAITING - 1):
        s.at[k] = s.at[k + 1]
        s.then_lapses[k] = s.then_lapses[k + 1]
    s.at[WAITING - 1] = 0
    s.then_lapses[WAITING - 1] = 0
    s.waiting -= 1
    return n


@part
def _next_change(events: Any, e: int, last: int) -> int:
    """The first event from number e on that changes operator or tool; `last` where none does."""
    while e < last and events[e].kind != SIGNED and events[e].kind != FITTED:
        e += 1
    return e


@part
def _wait(s: Any, event: Any) -> None:
    """Let a change wait; of several at one instant, the last counts."""
    lapses = event.lapses if event.kind == SIGNED else NEVER
    if s.waiting > 0 and s.at[s.waiting - 1] == event.at:
        if lapses != NEVER:
            s.then_lapses[s.waiting - 1] = lapses
        return
    if s.waiting == WAITING:
        if s.then_lapses[0] != NEVER:
            s.lapses = s.then_lapses[0]
        for k in range(WAITING - 1):
            s.at[k] = s.at[k + 1]
            s.then_lapses[k] = s.then_lapses[k + 1]
        s.waiting -= 1
    s.at[s.waiting] = event.at
    s.then_lapses[s.waiting] = lapses
    s.waiting += 1


@part
def _reach(s: Any, now: int, out: Any, n: int, g: int) -> int:
    """Time is settled up to now: what ends by then ends."""
    while s.waiting > 0 and s.at[0] <= now:
        n = _take_event(s, out, n, g)
    if s.begin != NEVER and (s.begin // HOUR != now // HOUR or s.begin < s.lapses <= now):
        n = _close(s, out, n, g)
    return n


@part
def _settle(s: Any, lo: int, hi: int, works_until: int, fires_until: int, out: Any, n: int, g: int) -> int:
    """Time runs from lo to hi; from lo on the carrier works, and the hammer fires, up to these instants."""
    work = min(hi, max(works_until, fires_until))
    while lo < work:
        n = _reach(s, lo, out, n, g)
        stop = min(work, lo - lo % HOUR + HOUR)
        if lo < s.lapses < stop:
            stop = s.lapses
        if s.waiting > 0 and s.at[0] < stop:
            stop = s.at[0]
        if s.begin == NEVER:
            s.begin = lo
        s.operating += max(0, min(works_until, stop) - lo)
        s.firing += max(0, min(fires_until, stop) - lo)
        s.end = stop
        lo = stop
    s.done = hi
    return _reach(s, hi, out, n, g)


@part
def _advance(
    s: Any,
    events: Any,
    e: int,
    last: int,
    together: int,
    hi: int,
    works_until: int,
    fires_until: int,
    out: Any,
    n: int,
    g: int,
) -> int:
    """Time runs to hi, with the changes on the way; those up to `together` had to wait for it to be settled."""
    while e < last and events[e].at <= min(together, hi):
        if events[e].kind == SIGNED or events[e].kind == FITTED:
            _wait(s, events[e])
        e += 1
    if s.done < together < hi:
        n = _settle(s, s.done, together, works_until, fires_until, out, n, g)
    while e < last and events[e].at <= hi:
        if events[e].kind == SIGNED or events[e].kind == FITTED:
            _wait(s, events[e])
            n = _settle(s, s.done, max(s.done, events[e].at), works_until, fires_until, out, n, g)
        e += 1
    return _settle(s, s.done, hi, works_until, fires_until, out, n, g)


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    engine_rpm: Any,
    events: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        e = _next_change(events, span.first_event, span.last_event)
        fires = nth(fire_until, span.first + g)
        # Up to where nothing can happen but that time is added up: the short way.
        quiet = NEVER
        operating = s.operating
        firing = s.firing
        done = s.done
        last_row = s.last_row
        has_engine_rpm = s.has_engine_rpm
        rpm_until = s.rpm_until
        for i in range(span.first, span.last):
            b = nth(time_ns, i)
            if done != NEVER:
                works = carrier.works_until(has_engine_rpm, rpm_until, last_row, b, p.steady, done)
                together = NEVER if has_engine_rpm else last_row + p.steady
                if b < quiet and works >= b:
                    operating += b - done
                    if fires > done:
                        firing += min(fires, b) - done
                    done = b
                else:
                    if quiet != NEVER:
                        s.end = done
                    s.operating = operating
                    s.firing = firing
                    s.done = done
                    n = _advance(s, events, e, span.last_event, together, b, works, fires, out, n, g)
                    while e < span.last_event and events[e].at <= b:
                        e = _next_change(events, e + 1, span.last_event)
                    operating = s.operating
                    firing = s.firing
                    done = b
                    quiet = NEVER
                    if s.begin != NEVER and s.end == b:
                        quiet = b - b % HOUR + HOUR
                        if b < s.lapses < quiet:
                            quiet = s.lapses
                        if s.waiting > 0 and s.at[0] < quiet:
                            quiet = s.at[0]
                        if e < span.last_event and events[e].at < quiet:
                            quiet = events[e].at
            else:
                done = b
            v = sample(engine_rpm, i)
            if v == v:
                has_engine_rpm = 1
                rpm_until = carrier.turns_until(v, b, p.working_rpm)
            last_row = b
            fires = nth(fire_until, i + 1 + g)
        if quiet != NEVER:
            s.end = done
        s.operating = operating
        s.firing = firing
        s.done = done
        s.last_row = last_row
        s.has_engine_rpm = has_engine_rpm
        s.rpm_until = rpm_until
        if done != NEVER and span.upto > done and (has_engine_rpm or span.upto - last_row > p.steady):
            works = rpm_until if has_engine_rpm else done
            together = NEVER if has_engine_rpm else last_row + p.steady
            n = _advance(s, events, e, span.last_event, together, span.upto, works, fires, out, n, g)
            while e < span.last_event and events[e].at <= span.upto:
                e = _next_change(events, e + 1, span.last_event)
        while e < span.last_event:
            _wait(s, events[e])
            e = _next_change(events, e + 1, span.last_event)
        if report and s.begin != NEVER:
            n = emit(out, n, g, 0, NOTED, s.begin, s.end, LOW, (float(s.operating), float(s.firing)))
    return n


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
