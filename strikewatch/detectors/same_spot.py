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
from strikewatch.detectors.base import (
    FIRES_ON,
    FIRING,
    Detector,
    DetectorSettings,
    Older,
    fields_of,
    seconds,
    tenth,
)
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_row_at,
    inlined,
    newest_row,
    next_row,
    part,
    sample,
    unchecked,
)
from strikewatch.detectors.tiles import UNIT, fixed_sum, highest_of


class Settings(DetectorSettings):
    """Continuous firing in one spot."""

    limit_s: float = Field(
        15.0,
        gt=0,
        description="Firing time in one spot from which it is a fault, s; high priority at twice this",
    )
    reposition_s: float = Field(2.0, gt=0, description="Pause in firing that ends the spot, s")
    spot_radius_m: float = Field(
        0.5,
        gt=0,
        description="Distance of the tool from where the spot began, beyond which a new spot begins, m",
    )


STATE: Final = np.dtype(
    [
        ("fired", "<i8"),  # ns of firing in the spot
        ("last_fire", "<i8"),  # end of the last firing
        ("onset", "<i8"),
        ("ref_x", "<f8"),  # position at the spot's beginning, m
        ("ref_y", "<f8"),
        ("x", "<f8"),  # last known position, m
        ("y", "<f8"),
        ("x_until", "<i8"),  # how long it is known
        ("y_until", "<i8"),
        ("oil", "<f8"),
        ("oil_until", "<i8"),
        ("oil_max", "<f8"),
        ("pressure_sum", "<i8"),  # in UNITs of `tiles`
        ("pressure_n", "<u4"),
        ("open", "<u1"),  # a spot has begun and not ended
        ("high", "<u1"),
        ("placed", "<u1"),  # whether the position at the spot's beginning is known
    ],
    align=True,
)
_VERSION_1: Final = np.dtype(
    [
        *((name, "<i8") for name in ("open", "fired", "last_fire", "onset", "high", "placed")),
        *((name, "<f8") for name in ("ref_x", "ref_y", "x", "y")),
        *((name, "<i8") for name in ("x_until", "y_until", "position_new")),
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
def _emit(state: Any, step: int, at: int, fired: int, out: Any) -> None:
    """Write a step of the fault with its evidence, if there is a fault."""
    pressure = state.pressure_sum * UNIT / state.pressure_n if state.pressure_n else math.nan
    evidence = (float(fired), float(state.placed), pressure, state.oil_max)
    emit(out, 0, step, state.onset, at, HIGH if state.high else MEDIUM, evidence)


@part
def _begin(state: Any, at: int) -> None:
    """Begin a spot."""
    state.open = 1
    state.fired = 0
    state.onset = NEVER
    state.high = 0
    state.placed = 0
    state.oil_max = state.oil if state.oil_until > at else math.nan
    state.pressure_sum = 0
    state.pressure_n = 0


@part
def _end(state: Any, at: int, out: Any) -> None:
    """End the spot."""
    _emit(state, CLEARED, at, state.fired, out)
    state.onset = NEVER
    state.open = 0


@part
def _end_if_repositioned(state: Any, params: Any, now: int, out: Any) -> None:
    """End the spot if there was no firing for long enough until now."""
    if state.open and now - state.last_fire >= params.reposition:
        _end(state, state.last_fire, out)


@part
def _is_known(state: Any, now: int) -> bool:
    """Tell whether the position of the tool tip is known."""
    return state.x_until > now and state.y_until > now  # type: ignore[no-any-return]


@part
def _is_elsewhere(state: Any, params: Any) -> bool:
    """Tell whether the tool tip is away from where the spot began."""
    x = state.x - state.ref_x
    y = state.y - state.ref_y
    # hypot is exact where squares are not, but slow: most positions are far within the radius.
    return 1.5 * max(abs(x), abs(y)) > params.radius and math.hypot(x, y) > params.radius  # type: ignore[no-any-return]


@inlined
def _place(state: Any, params: Any, tile: Any, rows: Any, oil_c: Any, at: int, i: int, out: Any) -> None:
    """Begin a spot at an instant of firing, if there is none or the tool is elsewhere by then; row i is the newest."""
    known = _is_known(state, at)
    if known and state.open and state.placed and _is_elsewhere(state, params):
        _end(state, at, out)
    if not state.open:
        _take_oil(state, tile, rows, oil_c, i)
        _begin(state, at)
    if known and not state.placed:
        state.placed = 1
        state.ref_x = state.x
        state.ref_y = state.y


@inlined
def _fire(
    state: Any,
    params: Any,
    rows: Any,
    pressure_bar: Any,
    oil_c: Any,
    start: int,
    end: int,
    i: int,
    j: int,
    out: Any,
) -> None:
    """Fire in the spot from `start` to `end`, at rows i..j-1."""
    while not state.high:
        limit = 2 * params.limit if state.onset != NEVER else params.limit
        at = start + limit - state.fired
        if at > end:
            break
        # The evidence is that before this instant.
        due = first_row_at(rows.time_ns, i, j, at)
        _take_values(state, pressure_bar, oil_c, i, due)
        i = due
        if state.onset == NEVER:
            state.onset = at
            _emit(state, RAISED, at, limit, out)
        else:
            state.high = 1
            _emit(state, ESCALATED, at, limit, out)
    _take_values(state, pressure_bar, oil_c, i, j)
    state.fired += end - start
    state.last_fire = end


@inlined
def _take_values(state: Any, pressure_bar: Any, oil_c: Any, i: int, j: int) -> None:
    """Take pressure and oil temperature of rows i..j-1 into the evidence."""
    if pressure_bar.n:
        total, n = fixed_sum(pressure_bar.values, i, j)
        state.pressure_sum += total
        state.pressure_n += n
    if oil_c.n and not oil_c.highest <= state.oil_max:
        highest = highest_of(oil_c.values, i, j)
        if highest > -math.inf and not highest <= state.oil_max:
            state.oil_max = highest


@inlined
def _take_oil(state: Any, tile: Any, rows: Any, oil_c: Any, i: int) -> None:
    """Take the newest oil temperature of the tile's rows up to i."""
    if oil_c.n == 0 or i < oil_c.first:
        return
    k = oil_c.last if i >= oil_c.last else newest_row(oil_c.values, tile.first, i)
    state.oil = unchecked(oil_c.values, k)
    state.oil_until = unchecked(rows.time_ns, k) + _HOLD_OIL


@inlined
def _take_position(state: Any, tile: Any, rows: Any, tool_x_m: Any, tool_y_m: Any, i: int) -> None:
    """Take the newest position of the tool tip of the tile's rows up to i."""
    k = newest_row(tool_x_m.values, tile.first, i)
    if k >= tile.first:
        state.x = unchecked(tool_x_m.values, k)
        state.x_until = unchecked(rows.time_ns, k) + _HOLD_POSE
    k = newest_row(tool_y_m.values, tile.first, i)
    if k >= tile.first:
        state.y = unchecked(tool_y_m.values, k)
        state.y_until = unchecked(rows.time_ns, k) + _HOLD_POSE


@inlined
def _next_place(state: Any, params: Any, rows: Any, tool_x_m: Any, tool_y_m: Any, i: int, last: int) -> int:
    """Take positions of firing rows from row i on, up to one that changes the spot or its place.

    Returns that row; `last` if there is none.
    """
    x = tool_x_m.values if tool_x_m.n else tool_y_m.values
    y = tool_y_m.values if tool_y_m.n else tool_x_m.values
    while True:
        i = next_row(x, y, i, last)
        if i == last:
            return last
        now = unchecked(rows.time_ns, i)
        value = sample(tool_x_m.values, i)
        if value == value:
            state.x = value
            state.x_until = now + _HOLD_POSE
        value = sample(tool_y_m.values, i)
        if value == value:
            state.y = value
            state.y_until = now + _HOLD_POSE
        if _is_known(state, now) and (not state.placed or _is_elsewhere(state, params)):
            return i
        i += 1


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
    positioned = tool_x_m.n + tool_y_m.n > 0
    for k in range(tile.runs):
        run = rows.runs[k]
        _end_if_repositioned(state, params, run.start, out)
        start, i = run.start, run.first
        at_row = i < run.last and unchecked(rows.time_ns, i) == start
        newest = i if at_row else i - 1
        if positioned:
            _take_position(state, tile, rows, tool_x_m, tool_y_m, newest)
        while True:
            _place(state, params, tile, rows, oil_c, start, newest, out)
            j = run.last
            if positioned:
                j = _next_place(state, params, rows, tool_x_m, tool_y_m, newest + 1, j)
            end = unchecked(rows.time_ns, j) if j < run.last else run.end
            _fire(state, params, rows, pressure_bar, oil_c, start, end, i, j, out)
            if j == run.last:
                break
            start, i, newest = end, j, j
    _end_if_repositioned(state, params, tile.upto, out)
    _take_oil(state, tile, rows, oil_c, tile.last - 1)
    if positioned:
        _take_position(state, tile, rows, tool_x_m, tool_y_m, tile.last - 1)
    if tile.report:
        _emit(state, STANDING, tile.upto, state.fired, out)


def _carry_over(record: Any) -> dict[str, Any]:
    fields = fields_of(record)
    del fields["position_new"]
    return {**fields, "pressure_sum": round(fields["pressure_sum"] / UNIT)}


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
    version=2,
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
    older={1: Older(_VERSION_1, _carry_over)},
    needs=(FIRING,),
    horizon=_horizon,
)
