"""check_missed: the hammer fired in a shift before its walkaround inspection.

A shift begins when another operator than before signs on; when anybody signs on after `break_h` without a row; or,
with nobody signed on, at the first row after such a break (common practice, no published source). An inspection counts
for it if entered during the shift or at most `ahead_s` before. Onset: the first firing in the shift without one.
Cleared: by the inspection, or when the next shift begins. If no inspection was ever entered for a hammer, none is
missed.

If the inspection of the current shift turns out to have been wrong, the shift needs one again from the correction on:
the next firing without one is a fault.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, Older, fields_of, seconds
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
    part,
    unchecked,
)
from strikewatch.detectors.maintenance.corrections import (
    AT,
    COLUMNS,
    KEPT,
    append,
    find,
    remove,
    replace_or_remove,
    with_history,
)
from strikewatch.detectors.tiles import firing_by_row


class Settings(DetectorSettings):
    """The walkaround inspection of each shift."""

    break_h: float = Field(4.0, gt=0, description="Time without rows after which the next shift begins, h")
    ahead_s: float = Field(
        3600.0, ge=0, description="How long before the shift its inspection may be done, s"
    )


FIRST: Final = np.dtype(
    [
        ("has_check", "<i8"),  # whether an inspection was ever entered
        ("began", "<i8"),  # start of the shift
        ("wanted", "<i8"),  # whether the shift had no inspection and no firing yet
        ("onset", "<i8"),
        ("checked", "<i8"),  # time of the last inspection
        ("operator", "<i8"),  # hash of the operator signed on last
        ("known", "<i8"),  # whether anybody ever signed on
        ("lapses", "<i8"),  # when the sign-on lapses
        ("last_row", "<i8"),
    ]
)
"""Version 1 of the state, without a history."""
STATE: Final = with_history(
    FIRST,
    COLUMNS,
    ("floor", "<i8"),  # time of the last inspection no longer kept
)
PARAMS: Final = np.dtype([("break_ns", "<i8"), ("ahead", "<i8")])


@part
def _clear(state: Any, at: int, out: Any) -> None:
    state.onset = emit(out, 0, CLEARED, state.onset, at, LOW, (float(state.onset - state.began),))


@part
def _begin(state: Any, params: Any, at: int, out: Any) -> None:
    """Begin a shift."""
    if state.began != at:
        _clear(state, at, out)
        state.began = at
        state.wanted = 1 if state.checked < at - params.ahead else 0


@part
def _fire(state: Any, at: int, out: Any) -> None:
    """Apply the first firing of a shift without an inspection."""
    state.wanted = 0
    if state.has_check:
        state.onset = emit(out, 0, RAISED, at, at, LOW, (float(at - state.began),))


@part
def _check(state: Any, event: Any, out: Any) -> None:
    """Apply an inspection."""
    if state.count == KEPT:
        state.floor = max(state.floor, state.kept[0, AT])
        remove(state, 0)
    append(state, CHECKED, event.at - event.age, event.at)
    _clear(state, event.at, out)
    state.has_check = 1
    state.wanted = 0
    state.checked = event.at


@part
def _correct(state: Any, params: Any, event: Any, out: Any) -> None:
    """Apply the correction of an inspection."""
    replaces = event.right == CHECKED
    j = find(state, CHECKED, event.wrong_time)
    if j < 0:
        state.not_found += 1
    elif replace_or_remove(state, j, replaces, event.at - event.age):
        return
    else:
        state.checked = state.floor
        for j in range(state.count):
            state.checked = max(state.checked, state.kept[j, AT])
        if state.began != NEVER and state.onset == NEVER and state.checked < state.began - params.ahead:
            state.wanted = 1
    if replaces:
        _check(state, event, out)


@part
def _apply_event(state: Any, params: Any, event: Any, out: Any) -> None:
    """Apply an event."""
    if event.kind == CHECKED:
        _check(state, event, out)
    elif event.kind == CORRECTED and event.wrong == CHECKED:
        _correct(state, params, event, out)
    elif event.kind == SIGNED:
        if event.lapses > event.at:
            after_break = state.last_row != NEVER and event.at - state.last_row >= params.break_ns
            if after_break or not state.known or event.value != state.operator:
                _begin(state, params, event.at, out)
            state.operator = event.value
            state.known = 1
        state.lapses = event.lapses


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any) -> bool:  # noqa: ARG001
    """Tell whether there is no event, no break, and no inspection wanted; keep the instant of the newest row."""
    pause = max(tile.first_at - state.last_row, tile.widest)
    if state.wanted or tile.first_event < tile.last_event or pause >= params.break_ns:
        return False
    if tile.last > tile.first:
        state.last_row = tile.last_at
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, out: Any) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    events = rows.events
    event_index = tile.first_event
    i = tile.first
    now = tile.since
    fires_until = unchecked(firing_ends, tile.first)
    while True:
        while event_index < tile.last_event and events[event_index].at <= now:
            _apply_event(state, params, events[event_index], out)
            event_index += 1
        if i < tile.last and unchecked(time_ns, i) <= now:
            if now - state.last_row >= params.break_ns and now >= state.lapses:
                _begin(state, params, now, out)
            state.last_row = now
            fires_until = unchecked(firing_ends, i + 1)
            i += 1
        if state.wanted and fires_until > now and now <= tile.upto:
            _fire(state, now, out)
        event_at = events[event_index].at if event_index < tile.last_event else tile.upto + 1
        if i == tile.last and event_index == tile.last_event:
            break
        now = min(unchecked(time_ns, i), event_at) if i < tile.last else event_at
    if tile.report:
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, (float(state.onset - state.began),))


def _params(settings: Settings) -> tuple[Any, ...]:
    return instant.seconds(settings.break_h * 3600), instant.seconds(settings.ahead_s)


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
    older={1: Older(FIRST, lambda old: {**fields_of(old), "floor": old["checked"]})},
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
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
