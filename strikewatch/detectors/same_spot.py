"""same_spot: continuous firing in one spot (15 s, common practice, no published source).

A spot begins at the first firing instant after the previous one ended. It ends (a) when there has been no firing for
`reposition_s`, at the last firing instant; or (b) at an instant of firing at which the tool tip is known to be more
than `spot_radius_m`, horizontally, from where the spot began: a new spot begins there.

Onset: the instant at which the firing time in the spot reaches `limit_s`. Cleared: the end of the spot. Priority: high
from twice the limit.
"""

import math
from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import FIRES_ON, FIRING, Detector, DetectorSettings, seconds, tenth
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    newest_row,
    next_firing_row,
    part,
    sample,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row


class Settings(DetectorSettings):
    """Continuous firing in one spot."""

    limit_s: float = Field(
        15.0, gt=0, description="Firing time in one spot that is a fault, s; high at twice it"
    )
    reposition_s: float = Field(2.0, gt=0, description="A pause this long ends the spot, s")
    spot_radius_m: float = Field(
        0.5, gt=0, description="The tool farther than this from where it began: a new spot, m"
    )


STATE: Final = np.dtype(
    [
        ("open", "<i8"),  # a spot has begun and not ended
        ("fired", "<i8"),  # ns of firing in the spot
        ("last_fire", "<i8"),  # end of the last firing
        ("onset", "<i8"),
        ("high", "<i8"),
        ("placed", "<i8"),  # whether the position at the spot's beginning is known
        ("ref_x", "<f8"),  # that position, m
        ("ref_y", "<f8"),
        ("x", "<f8"),  # last known position, m
        ("y", "<f8"),
        ("x_until", "<i8"),  # how long it is known
        ("y_until", "<i8"),
        ("position_new", "<i8"),  # whether it is not yet compared with the spot's beginning
        ("oil", "<f8"),
        ("oil_until", "<i8"),
        ("oil_max", "<f8"),
        ("pressure_sum", "<f8"),
        ("pressure_n", "<i8"),
    ]
)
PARAMS: Final = np.dtype([("limit", "<i8"), ("reposition", "<i8"), ("radius", "<f8")])

_HOLD_POSE: Final = CHANNELS["tool_x_m"].hold_ns
_HOLD_OIL: Final = CHANNELS["oil_c"].hold_ns


@part
def _emit(
    state: Any, step: int, at: int, fired: int, oil_max: float, pressure_sum: float, pressure_n: int, out: Any
) -> None:
    """Write a step of the fault with its evidence."""
    pressure = pressure_sum / pressure_n if pressure_n else math.nan
    evidence = (float(fired), float(state.placed), pressure, oil_max)
    emit(out, 0, step, state.onset, at, HIGH if state.high else MEDIUM, evidence)


@part
def _begin(state: Any, at: int) -> Any:
    """Begin a spot; return its firing time, highest oil temperature, sum and number of pressures so far."""
    state.open = 1
    state.onset = NEVER
    state.high = 0
    state.placed = 0
    state.position_new = 1
    return 0, state.oil if state.oil_until > at else math.nan, 0.0, 0


@part
def _catch_up_oil(state: Any, time_ns: Any, oil_c: Any, first: int, i: int) -> None:
    """Take the newest oil temperature of rows first..i."""
    k = newest_row(oil_c, first, i)
    if k >= first:
        state.oil = oil_c[k]
        state.oil_until = unchecked(time_ns, k) + _HOLD_OIL


@part
def _catch_up_position(state: Any, time_ns: Any, tool_x_m: Any, tool_y_m: Any, first: int, i: int) -> None:
    """Take the newest position of the tool tip of rows first..i."""
    k = newest_row(tool_x_m, first, i)
    if k >= first:
        state.x = tool_x_m[k]
        state.x_until = time_ns[k] + _HOLD_POSE
    k = newest_row(tool_y_m, first, i)
    if k >= first:
        state.y = tool_y_m[k]
        state.y_until = time_ns[k] + _HOLD_POSE


@part
def run(
    tile: Any,
    state: Any,
    params: Any,
    rows: Any,
    tool_x_m: Any,
    tool_y_m: Any,
    pressure_bar: Any,
    oil_c: Any,
    out: Any,
) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    tool_x_m = tool_x_m.values
    tool_y_m = tool_y_m.values
    pressure_bar = pressure_bar.values
    oil_c = oil_c.values
    has_position = tool_x_m.size > 0 or tool_y_m.size > 0
    fired, oil_max = state.fired, state.oil_max
    pressure_sum, pressure_n = state.pressure_sum, state.pressure_n
    start = tile.since
    i = tile.first - 1
    while i < tile.last:
        if not state.open and i >= tile.first:
            i = next_firing_row(time_ns, firing_ends, i, tile.last)
            if i == tile.last:
                break
        is_row = i >= tile.first
        if is_row:
            start = unchecked(time_ns, i)
        if is_row and has_position:
            x = sample(tool_x_m, i)
            y = sample(tool_y_m, i)
            if x == x:
                state.x = x
                state.x_until = start + _HOLD_POSE
                state.position_new = 1
            if y == y:
                state.y = y
                state.y_until = start + _HOLD_POSE
                state.position_new = 1
        end = unchecked(time_ns, i + 1) if i + 1 < tile.last else tile.upto
        fires_until = unchecked(firing_ends, i + 1)
        if fires_until > start:
            if not state.open:
                _catch_up_oil(state, time_ns, oil_c, tile.first, i)
                _catch_up_position(state, time_ns, tool_x_m, tool_y_m, tile.first, i)
                fired, oil_max, pressure_sum, pressure_n = _begin(state, start)
            if state.position_new and state.x_until > start and state.y_until > start:
                state.position_new = 0
                moved_m = math.hypot(state.x - state.ref_x, state.y - state.ref_y)
                if state.placed and moved_m > params.radius:
                    if state.onset != NEVER:
                        _emit(state, CLEARED, start, fired, oil_max, pressure_sum, pressure_n, out)
                    _catch_up_oil(state, time_ns, oil_c, tile.first, i)
                    fired, oil_max, pressure_sum, pressure_n = _begin(state, start)
                if not state.placed:
                    state.placed = 1
                    state.ref_x = state.x
                    state.ref_y = state.y
            if is_row:
                value = sample(pressure_bar, i)
                if value == value:
                    pressure_sum += value
                    pressure_n += 1
                value = sample(oil_c, i)
                if value == value and not value <= oil_max:
                    oil_max = value
            before = fired
            state.last_fire = min(fires_until, end)
            fired += state.last_fire - start
            if fired >= params.limit:
                if state.onset == NEVER:
                    state.onset = at = start + params.limit - before
                    _emit(state, RAISED, at, params.limit, oil_max, pressure_sum, pressure_n, out)
                high = 2 * params.limit
                if not state.high and fired >= high:
                    state.high = 1
                    at = start + high - before
                    _emit(state, ESCALATED, at, high, oil_max, pressure_sum, pressure_n, out)
        i += 1
        if state.open and end - state.last_fire >= params.reposition:
            if state.onset != NEVER:
                _emit(state, CLEARED, state.last_fire, fired, oil_max, pressure_sum, pressure_n, out)
            state.open = 0
            state.position_new = 0
    state.fired, state.oil_max = fired, oil_max
    state.pressure_sum, state.pressure_n = pressure_sum, pressure_n
    _catch_up_oil(state, time_ns, oil_c, tile.first, tile.last - 1)
    _catch_up_position(state, time_ns, tool_x_m, tool_y_m, tile.first, tile.last - 1)
    if tile.report and state.open and state.onset != NEVER:
        _emit(state, STANDING, tile.upto, fired, oil_max, pressure_sum, pressure_n, out)


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.limit_s),
        instant.seconds(settings.reposition_s),
        settings.spot_radius_m,
    )


def _horizon(settings: Settings) -> int:
    return FIRES_ON + instant.seconds(settings.reposition_s)


DETECTOR: Final = Detector(
    name="same_spot",
    version=1,
    faults=(
        Fault(
            "same_spot",
            "Fired {firing_s:.1f} s in one spot; reposition, or break from another side.",
            {"firing_s": seconds, "pose_known": bool, "mean_pressure_bar": tenth, "oil_max_c": tenth},
            of_operator=True,
            highlights=(Highlight("firing_s", "the longest: {value:.1f} s of firing in one spot"),),
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("tool_x_m", "tool_y_m", "pressure_bar", "oil_c"),
    fresh={"last_fire": NEVER, "onset": NEVER, "x_until": NEVER, "y_until": NEVER, "oil_until": NEVER},
    needs=(FIRING,),
    horizon=_horizon,
)
