"""storage_due, storage_use: a hammer that has not fired for long, and one that fires again unprepared.

After 6 months without firing (common practice, no published source; here 183 days) it belongs in storage: ports
plugged, tool out, bushings and piston oiled, upright. Fired out of storage, or after so long, before anybody has said
that it was taken out or looked it over, it is to be stopped and prepared.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import FIRING, FOREVER, Detector, DetectorSettings, tenth
from strikewatch.detect.kernels import (
    CHECKED,
    CLEARED,
    LOW,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    STORED,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
)
from strikewatch.model import instant
from strikewatch.model.finding import Fault
from strikewatch.model.instant import SECOND


class Settings(DetectorSettings):
    """Long storage."""

    idle_days: float = Field(183.0, gt=0, description="No firing for this long: it belongs in storage, days")


DUE: Final = 0
USE: Final = 1

STATE: Final = np.dtype(
    [
        ("base", "<i8"),  # the end of the last firing; before any, the first row
        ("put_in", "<i8"),  # put in storage since then
        ("stored", "<i8"),  # and neither taken out nor fired
        ("readied", "<i8"),  # when it was last taken out or looked over
        ("due_onset", "<i8"),
        ("use_onset", "<i8"),
        ("idle", "<i8"),  # ns without firing before that use
    ]
)
PARAMS: Final = np.dtype([("idle", "<i8")])


@part
def _rest(s: Any, p: Any, x: int, hi: int, f: int, out: Any, n: int, g: int) -> int:
    """Time runs from x to hi, the hammer firing up to f."""
    if s.base != NEVER:
        if f > x and hi > x:
            s.base = min(f, hi)
            s.put_in = 0
        due = s.base + p.idle
        if s.due_onset == NEVER and not s.put_in and due <= hi:
            s.due_onset = due
            n = emit(out, n, g, DUE, RAISED, due, due, LOW, (float(p.idle),))
    return n


@part
def _take(s: Any, event: Any, out: Any, n: int, g: int) -> int:
    """An event takes effect."""
    at = event.at
    if event.kind == STORED and event.detail == 1:
        if s.due_onset != NEVER:
            n = emit(out, n, g, DUE, CLEARED, s.due_onset, at, LOW, (float(at - s.base),))
            s.due_onset = NEVER
        s.put_in = 1
        s.stored = 1
    elif event.kind == STORED or event.kind == CHECKED:
        if s.use_onset != NEVER:
            n = emit(out, n, g, USE, CLEARED, s.use_onset, at, MEDIUM, (float(s.idle),))
            s.use_onset = NEVER
        s.readied = at
        if event.kind == STORED:
            s.stored = 0
    return n


@part
def _fire(s: Any, p: Any, x: int, out: Any, n: int, g: int) -> int:
    """The hammer fires at this instant."""
    idle = x - s.base
    if s.due_onset != NEVER:
        n = emit(out, n, g, DUE, CLEARED, s.due_onset, x, LOW, (float(idle),))
        s.due_onset = NEVER
    if s.use_onset == NEVER and (s.stored or (idle >= p.idle and s.readied < s.base)):
        s.use_onset = x
        s.idle = idle
        n = emit(out, n, g, USE, RAISED, x, x, MEDIUM, (float(idle),))
    s.base = x
    s.put_in = 0
    s.stored = 0
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    events: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        e = span.first_event
        i = span.first
        x = span.since
        f = nth(fire_until, span.first + g)
        while True:
            while e < span.last_event and events[e].at <= x:
                n = _take(s, events[e], out, n, g)
                e += 1
            if i < span.last and nth(time_ns, i) <= x:
                if s.base == NEVER:
                    s.base = x
                f = nth(fire_until, i + 1 + g)
                i += 1
            # An event may come after the watermark, where nothing more is known.
            if f > x and x <= span.upto:
                n = _fire(s, p, x, out, n, g)
            event_at = events[e].at if e < span.last_event else span.upto + 1
            if s.base != NEVER and not s.stored:
                # Fired not long ago, and nothing else can happen: the short way.
                quiet = min(event_at, s.base + p.idle)
                first = i
                base = s.base
                while i < span.last and nth(time_ns, i) < quiet:
                    t = nth(time_ns, i)
                    if f > x:
                        base = min(f, t)
                    x = t
                    i += 1
                    f = nth(fire_until, i + g)
                if base != s.base:
                    s.put_in = 0
                    s.base = base
                if i > first and f > x:
                    n = _fire(s, p, x, out, n, g)
            hi = min(event_at, nth(time_ns, i)) if i < span.last else event_at
            n = _rest(s, p, x, min(hi, span.upto), f, out, n, g)
            if i == span.last and e == span.last_event:
                break
            x = hi
        if report:
            if s.due_onset != NEVER:
                n = emit(out, n, g, DUE, STANDING, s.due_onset, span.upto, LOW, (float(span.upto - s.base),))
            if s.use_onset != NEVER:
                n = emit(out, n, g, USE, STANDING, s.use_onset, span.upto, MEDIUM, (float(s.idle),))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (instant.seconds(settings.idle_days * 86_400),)


def _days(value_ns: float) -> float:
    return tenth(value_ns / (86_400 * SECOND))


def _due(record: Any, params: Any) -> int:
    """When it has not fired for too long, if it does not."""
    if record["base"] == NEVER or record["due_onset"] != NEVER or record["put_in"]:
        return FOREVER
    return int(record["base"] + params["idle"])


DETECTOR: Final = Detector(
    name="long_storage",
    version=1,
    faults=(
        Fault(
            "storage_due",
            "Not fired for {idle_days:.0f} days; store it: ports plugged, tool out, insides oiled, upright.",
            {"idle_days": _days},
        ),
        Fault(
            "storage_use",
            "Fired after {idle_days:.0f} days without use; stop, and prepare it as its handbook says.",
            {"idle_days": _days},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("events",),
    fresh={"base": NEVER, "readied": NEVER, "due_onset": NEVER, "use_onset": NEVER},
    needs=(FIRING,),
    due=_due,
)
