"""check_missed: the hammer fired in a shift before anybody had walked round the machine and looked.

A shift begins when somebody else than before signs on, or anybody after `break_h` without a row, or, with nobody
signed on, at the first row after such a break (common practice, no published source). Its check is the one entered in
it, or at most `ahead_s` before. A hammer whose checks were never entered has none to miss: the detector is silent
until the first.

Where the check of the present shift turns out to have been wrong, the shift wants one again from the correction on:
the next firing without one is a fault.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, Older, seconds
from strikewatch.detectors.kernels import (
    CHECKED,
    CLEARED,
    CORRECTED,
    LOW,
    NEVER,
    RAISED,
    SIGNED,
    STANDING,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
)
from strikewatch.detectors.maintenance.corrections import AT, COLUMNS, KEPT, KIND, TIME, find, remove


class Settings(DetectorSettings):
    """The walk-round check of each shift."""

    break_h: float = Field(4.0, gt=0, description="No row for this long: the next shift, h")
    ahead_s: float = Field(3600.0, ge=0, description="A check this long before the shift counts for it, s")


FIRST: Final = np.dtype(
    [
        ("has_check", "<i8"),
        ("began", "<i8"),  # the shift
        ("wanted", "<i8"),  # it has had no check, and no firing
        ("onset", "<i8"),
        ("checked", "<i8"),  # when last
        ("who", "<i8"),  # signed on last
        ("known", "<i8"),  # whether anybody ever did
        ("lapses", "<i8"),
        ("last_row", "<i8"),
    ]
)
"""Version 1 of the state, which had no history."""
STATE: Final = np.dtype(
    [
        *((name, FIRST[name]) for name in FIRST.names or ()),
        ("floor", "<i8"),  # the last check no longer kept
        ("count", "<i8"),
        ("kept", "<i8", (KEPT, COLUMNS)),  # checks in the order in which they took effect
        ("not_found", "<i8"),  # corrections of what is not kept
    ]
)
PARAMS: Final = np.dtype([("rest", "<i8"), ("ahead", "<i8")])


@part
def _clear(s: Any, at: int, out: Any, n: int, g: int) -> int:
    if s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, LOW, (float(s.onset - s.began),))
        s.onset = NEVER
    return n


@part
def _begin(s: Any, p: Any, at: int, out: Any, n: int, g: int) -> int:
    """A shift begins."""
    if s.began != at:
        n = _clear(s, at, out, n, g)
        s.began = at
        s.wanted = 1 if s.checked < at - p.ahead else 0
    return n


@part
def _fire(s: Any, at: int, out: Any, n: int, g: int) -> int:
    """The hammer fires at this instant, the first such since the shift began."""
    s.wanted = 0
    if s.has_check:
        s.onset = at
        n = emit(out, n, g, 0, RAISED, at, at, LOW, (float(at - s.began),))
    return n


@part
def _check(s: Any, event: Any, out: Any, n: int, g: int) -> int:
    """Somebody looked it over."""
    if s.count == KEPT:
        s.floor = max(s.floor, s.kept[0, AT])
        s.count = remove(s.kept, s.count, 0)
    j = s.count
    s.count = j + 1
    s.kept[j, KIND] = CHECKED
    s.kept[j, TIME] = event.at - event.age
    s.kept[j, AT] = event.at
    n = _clear(s, event.at, out, n, g)
    s.has_check = 1
    s.wanted = 0
    s.checked = event.at
    return n


@part
def _correct(s: Any, p: Any, event: Any, out: Any, n: int, g: int) -> int:
    """A check was entered wrongly. One that was made before that took effect stands in its place."""
    j = find(s.kept, s.count, CHECKED, event.wrong_time)
    if j < 0:
        s.not_found += 1
    elif event.right == CHECKED and event.at - event.age <= s.kept[j, AT]:
        s.kept[j, TIME] = event.at - event.age
        return n
    else:
        s.count = remove(s.kept, s.count, j)
        s.checked = s.floor
        for j in range(s.count):
            s.checked = max(s.checked, s.kept[j, AT])
        if s.began != NEVER and s.onset == NEVER and s.checked < s.began - p.ahead:
            s.wanted = 1
    if event.right == CHECKED:
        n = _check(s, event, out, n, g)
    return n


@part
def _take(s: Any, p: Any, event: Any, out: Any, n: int, g: int) -> int:
    """An event takes effect."""
    if event.kind == CHECKED:
        n = _check(s, event, out, n, g)
    elif event.kind == CORRECTED and event.wrong == CHECKED:
        n = _correct(s, p, event, out, n, g)
    elif event.kind == SIGNED:
        if event.lapses > event.at:
            rested = s.last_row != NEVER and event.at - s.last_row >= p.rest
            if rested or not s.known or event.value != s.who:
                n = _begin(s, p, event.at, out, n, g)
            s.who = event.value
            s.known = 1
        s.lapses = event.lapses
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
                n = _take(s, p, events[e], out, n, g)
                e += 1
            if i < span.last and nth(time_ns, i) <= x:
                if x - s.last_row >= p.rest and x >= s.lapses:
                    n = _begin(s, p, x, out, n, g)
                s.last_row = x
                f = nth(fire_until, i + 1 + g)
                i += 1
            if s.wanted and f > x and x <= span.upto:
                n = _fire(s, x, out, n, g)
            event_at = events[e].at if e < span.last_event else span.upto + 1
            if not s.wanted:
                # Until an event or a break, nothing can happen: the short way.
                first = i
                while i < span.last and nth(time_ns, i) < event_at and nth(time_ns, i) - s.last_row < p.rest:
                    s.last_row = nth(time_ns, i)
                    i += 1
                if i > first:
                    f = nth(fire_until, i + g)
            if i == span.last and e == span.last_event:
                break
            x = min(nth(time_ns, i), event_at) if i < span.last else event_at
        if report and s.onset != NEVER:
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, LOW, (float(s.onset - s.began),))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return instant.seconds(settings.break_h * 3600), instant.seconds(settings.ahead_s)


def _from_first(old: Any) -> dict[str, Any]:
    """The state that follows from one of version 1: no check before can be corrected."""
    return {**{name: old[name] for name in FIRST.names or ()}, "floor": old["checked"]}


DETECTOR: Final = Detector(
    name="walk_round",
    version=2,
    faults=(
        Fault(
            "check_missed",
            "Fired {into_shift_s:.0f} s into the shift without a walk-round check; stop, look it over and enter it.",
            {"into_shift_s": seconds},
        ),
    ),
    settings=Settings,
    state=STATE,
    older={1: Older(FIRST, _from_first)},
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("events",),
    fresh={
        "began": NEVER,
        "onset": NEVER,
        "checked": NEVER,
        "lapses": NEVER,
        "last_row": NEVER,
        "floor": NEVER,
    },
    needs=(FIRING, ("check",)),
)
