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
    GROUP,
    LOW,
    NEVER,
    RAISED,
    SIGNED,
    STANDING,
    emit,
    kernel,
    new_output,
    part,
    unchecked,
    written,
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
def _clear(state: Any, at: int, out: Any) -> None:
    state.onset = emit(out, 0, CLEARED, state.onset, at, LOW, (float(state.onset - state.began),))


@part
def _begin(state: Any, params: Any, at: int, out: Any) -> None:
    """A shift begins."""
    if state.began != at:
        _clear(state, at, out)
        state.began = at
        state.wanted = 1 if state.checked < at - params.ahead else 0


@part
def _fire(state: Any, at: int, out: Any) -> None:
    """The hammer fires at this instant, the first such since the shift began."""
    state.wanted = 0
    if state.has_check:
        state.onset = emit(out, 0, RAISED, at, at, LOW, (float(at - state.began),))


@part
def _check(state: Any, event: Any, out: Any) -> None:
    """Somebody looked it over."""
    if state.count == KEPT:
        state.floor = max(state.floor, state.kept[0, AT])
        state.count = remove(state.kept, state.count, 0)
    j = state.count
    state.count = j + 1
    state.kept[j, KIND] = CHECKED
    state.kept[j, TIME] = event.at - event.age
    state.kept[j, AT] = event.at
    _clear(state, event.at, out)
    state.has_check = 1
    state.wanted = 0
    state.checked = event.at


@part
def _correct(state: Any, params: Any, event: Any, out: Any) -> None:
    """A check was entered wrongly. One that was made before that took effect stands in its place."""
    j = find(state.kept, state.count, CHECKED, event.wrong_time)
    if j < 0:
        state.not_found += 1
    elif event.right == CHECKED and event.at - event.age <= state.kept[j, AT]:
        state.kept[j, TIME] = event.at - event.age
        return
    else:
        state.count = remove(state.kept, state.count, j)
        state.checked = state.floor
        for j in range(state.count):
            state.checked = max(state.checked, state.kept[j, AT])
        if state.began != NEVER and state.onset == NEVER and state.checked < state.began - params.ahead:
            state.wanted = 1
    if event.right == CHECKED:
        _check(state, event, out)


@part
def _take(state: Any, params: Any, event: Any, out: Any) -> None:
    """An event takes effect."""
    if event.kind == CHECKED:
        _check(state, event, out)
    elif event.kind == CORRECTED and event.wrong == CHECKED:
        _correct(state, params, event, out)
    elif event.kind == SIGNED:
        if event.lapses > event.at:
            rested = state.last_row != NEVER and event.at - state.last_row >= params.rest
            if rested or not state.known or event.value != state.who:
                _begin(state, params, event.at, out)
            state.who = event.value
            state.known = 1
        state.lapses = event.lapses


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    firing_ends: Any,
    states: Any,
    all_params: Any,
    events: Any,
    findings: Any,
) -> int:
    out = new_output(findings)
    for group in range(len(spans)):
        out.cursor[GROUP] = group
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        event_index = span.first_event
        i = span.first
        now = span.since
        fires_until = unchecked(firing_ends, span.first + group)
        while True:
            while event_index < span.last_event and events[event_index].at <= now:
                _take(state, params, events[event_index], out)
                event_index += 1
            if i < span.last and unchecked(time_ns, i) <= now:
                if now - state.last_row >= params.rest and now >= state.lapses:
                    _begin(state, params, now, out)
                state.last_row = now
                fires_until = unchecked(firing_ends, i + 1 + group)
                i += 1
            if state.wanted and fires_until > now and now <= span.upto:
                _fire(state, now, out)
            event_at = events[event_index].at if event_index < span.last_event else span.upto + 1
            if not state.wanted:
                # Until an event or a break, nothing can happen: the short way.
                first = i
                while (
                    i < span.last
                    and unchecked(time_ns, i) < event_at
                    and unchecked(time_ns, i) - state.last_row < params.rest
                ):
                    state.last_row = unchecked(time_ns, i)
                    i += 1
                if i > first:
                    fires_until = unchecked(firing_ends, i + group)
            if i == span.last and event_index == span.last_event:
                break
            now = min(unchecked(time_ns, i), event_at) if i < span.last else event_at
        if report:
            emit(out, 0, STANDING, state.onset, span.upto, LOW, (float(state.onset - state.began),))
    return written(out)


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
