"""grease_feed: automatic greasing that cannot be relied on (limits are common practice, no published source).

There are three causes, and at most one alert per hammer: the reservoir is low; the pump gives no flow through
`no_flow_s` of firing; the pressure in the grease line is outside its band for `line_s` while the pump gives flow. Each
cause lasts until the opposite is known. An unknown value neither begins nor ends a cause.
"""

import math
from typing import Any, Final, Self

import numpy as np
from pydantic import Field, model_validator

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRES_ON, Detector, DetectorSettings, hundredth, seconds
from strikewatch.detectors.kernels import (
    CLEARED,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, interval, newest, value_at


class Settings(DetectorSettings):
    """Automatic greasing: reservoir, pump and line."""

    rising = ("low_level", "refilled_level")

    low_level: float = Field(
        0.1, ge=0, le=1, description="Level below which the reservoir is low, share of it"
    )
    refilled_level: float = Field(
        0.15, ge=0, le=1, description="Level from which the reservoir counts as refilled, share of it"
    )
    no_flow_s: float = Field(
        600.0, gt=0, description="Firing time without flow from the pump from which it is a fault, s"
    )
    line_low_bar: float | None = Field(
        None, description="Lowest permitted pressure in the grease line, bar; left out: not judged"
    )
    line_high_bar: float | None = Field(
        None, description="Highest permitted pressure in the grease line, bar; left out: not judged"
    )
    line_s: float = Field(
        10.0, gt=0, description="Unbroken time outside these limits from which it is a fault, s"
    )

    @model_validator(mode="after")
    def _band(self) -> Self:
        low, high = self.line_low_bar, self.line_high_bar
        if low is not None and high is not None and low > high:
            raise ValueError("line_low_bar must not be above line_high_bar")
        return self


STATE: Final = np.dtype(
    [
        ("level", "<f8"),
        ("level_until", "<i8"),  # how long it is known
        ("flows", "<i8"),  # whether the pump gives flow
        ("flow_until", "<i8"),
        ("outside", "<i8"),  # whether the line's pressure is outside its band
        ("line_until", "<i8"),
        ("dry", "<i8"),  # ns of firing known to be without flow, since flow was last known
        (
            "outside_since",
            "<i8",
        ),  # since when flow is known and the line's pressure outside; NEVER: it is not
        ("causes", "<i8"),  # active causes: RESERVOIR, FLOW and LINE, one bit each
        ("seen", "<i8"),  # all causes since the onset
        ("onset", "<i8"),
        ("lowest", "<f8"),  # lowest level since the onset
        ("driest", "<i8"),  # largest `dry` since the onset
    ]
)
PARAMS: Final = np.dtype(
    [
        ("low", "<f8"),
        ("refilled", "<f8"),
        ("no_flow", "<i8"),
        ("line_low", "<f8"),
        ("line_high", "<f8"),
        ("line", "<i8"),
    ]
)

RESERVOIR: Final = 1
FLOW: Final = 2
LINE: Final = 4
_HOLD_LEVEL: Final = CHANNELS["grease_level"].hold_ns
_HOLD_FLOW: Final = CHANNELS["grease_flow"].hold_ns
_HOLD_LINE: Final = CHANNELS["grease_bar"].hold_ns


@part
def _evidence(state: Any) -> Any:
    return float(state.seen), state.lowest, float(state.driest) if state.driest else math.nan


@part
def _update(state: Any, at: int, out: Any) -> None:
    """Raise or clear the fault by the causes that are active at this instant."""
    if not state.causes:
        state.onset = emit(out, 0, CLEARED, state.onset, at, MEDIUM, _evidence(state))
        return
    if state.onset == NEVER:
        state.seen = state.causes
        state.lowest = state.level if state.level_until >= at else math.nan
        state.driest = state.dry
        state.onset = emit(out, 0, RAISED, at, at, MEDIUM, _evidence(state))
    state.seen |= state.causes


@part
def _is_uneventful(state: Any, start: int) -> bool:
    """Tell whether no cause is active and none is building up, so that ordinary rows change nothing."""
    dry = not state.flows and state.flow_until > start
    return not (state.causes or dry or (state.outside and state.line_until > start))


@part
def _take_level(state: Any, params: Any, level: float, at: int) -> None:
    """Take the reservoir's level, if it was sampled."""
    if level == level:
        state.level = level
        state.level_until = at + _HOLD_LEVEL
        if level < params.low:
            state.causes |= RESERVOIR
        elif level >= params.refilled:
            state.causes &= ~RESERVOIR
        if state.onset != NEVER and not level >= state.lowest:
            state.lowest = level


@part
def _take_flow(state: Any, flow: float, at: int) -> None:
    """Take whether the pump gives flow, if it was sampled."""
    if flow == flow:
        state.flows = 1 if flow >= 0.5 else 0
        state.flow_until = at + _HOLD_FLOW
        if state.flows:
            state.dry = 0
            state.causes &= ~FLOW


@part
def _take_pressure(state: Any, params: Any, bar: float, at: int) -> None:
    """Take the pressure of the line, if it was sampled."""
    if bar == bar:
        state.outside = 1 if bar < params.line_low or bar > params.line_high else 0
        state.line_until = at + _HOLD_LINE


@part
def _check_line(state: Any, start: int) -> None:
    """Update how long the line's pressure has been outside, once all values of the row at `start` are taken."""
    if state.flows and min(state.flow_until, state.line_until) > start:
        if not state.outside:
            state.outside_since = NEVER
            state.causes &= ~LINE
        elif state.outside_since == NEVER:
            state.outside_since = start
    else:
        state.outside_since = NEVER


@part
def _advance(state: Any, params: Any, start: int, end: int, fires_until: int, last: bool, out: Any) -> None:
    """Advance from `start` to `end`."""
    stop = min(fires_until, state.flow_until, end)
    if not state.flows and stop > start:
        before = state.dry
        dry = before + (stop - start)
        if before < params.no_flow <= dry:
            state.causes |= FLOW
            state.dry = params.no_flow
            _update(state, start + (params.no_flow - before), out)
        state.dry = dry
        state.driest = max(state.driest, dry)
    if state.outside_since != NEVER:
        stop = min(state.flow_until, state.line_until)
        if not state.causes & LINE and state.outside_since + params.line <= min(stop, end):
            state.causes |= LINE
            _update(state, state.outside_since + params.line, out)
        # The row at `end` may prolong it; after the watermark itself no row is left to.
        if stop < end or (last and stop == end):
            state.outside_since = NEVER


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, level: Any, flow: Any, bar: Any) -> bool:
    """Tell whether no cause is active or building up; keep the newest values."""
    inside = bar.lowest >= params.line_low and bar.highest <= params.line_high
    if not (_is_uneventful(state, tile.since) and level.lowest >= params.low and flow.lowest >= 0.5):
        return False
    if bar.n > 0 and not inside:
        return False
    value, at = newest(rows, level)
    _take_level(state, params, value, at)
    value, at = newest(rows, flow)
    _take_flow(state, value, at)
    value, at = newest(rows, bar)
    _take_pressure(state, params, value, at)
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, level: Any, flow: Any, bar: Any, out: Any) -> None:
    firing_ends = firing_by_row(tile, rows)
    for i in range(tile.first - 1, tile.last):
        start, end = interval(tile, rows, i)
        if i >= tile.first:
            _take_level(state, params, value_at(tile, level, i), start)
            _take_flow(state, value_at(tile, flow, i), start)
            _take_pressure(state, params, value_at(tile, bar, i), start)
            _check_line(state, start)
            _update(state, start, out)
        _advance(state, params, start, end, unchecked(firing_ends, i + 1), i + 1 == tile.last, out)
    if tile.report:
        emit(out, 0, STANDING, state.onset, tile.upto, MEDIUM, _evidence(state))


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        settings.low_level,
        settings.refilled_level,
        instant.seconds(settings.no_flow_s),
        -math.inf if settings.line_low_bar is None else settings.line_low_bar,
        math.inf if settings.line_high_bar is None else settings.line_high_bar,
        instant.seconds(settings.line_s),
    )


def _causes(bits: float) -> str:
    names = ("reservoir", "flow", "line")
    return " ".join(name for k, name in enumerate(names) if int(bits) >> k & 1)


DETECTOR: Final = Detector(
    name="grease_feed",
    version=1,
    faults=(
        Fault(
            "grease_feed",
            "Automatic greasing fails ({causes}): refill it, or have pump and lines checked; "
            "grease by hand until it works, as the operator's manual says.",
            {"causes": _causes, "lowest_level": hundredth, "firing_without_flow_s": seconds},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("grease_level", "grease_flow", "grease_bar"),
    fresh={
        "level_until": NEVER,
        "flow_until": NEVER,
        "line_until": NEVER,
        "outside_since": NEVER,
        "onset": NEVER,
    },
    needs=(("grease_level", "grease_flow"),),
    horizon=lambda _settings: max(FIRES_ON, min(_HOLD_FLOW, _HOLD_LINE)),
)
