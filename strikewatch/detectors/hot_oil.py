"""hot_oil: the hammer fired with its oil above 80 degC / 176 degF (common practice, no published source).

The oil becomes hot once `oil_c` has been above `limit_c` for `on_delay_s` without a break, and cool again at the first
value at or below `cool_c`. Onset: the first instant with firing while the oil is hot. Cleared: when it is cool again.
Hot oil without firing is a cool-down and not a fault. There is at most one fault in each hot spell.
"""

import math
from typing import Any, Final, Literal

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, hundredth, seconds
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, interval, value_at

OilGrade = Literal["VG 32", "VG 46", "VG 68", "VG 100"]

WALTHER: Final[dict[OilGrade, tuple[float, float]]] = {
    "VG 32": (9.580289, 3.766401),
    "VG 46": (9.455829, 3.699602),
    "VG 68": (9.288586, 3.615938),
    "VG 100": (9.067002, 3.512093),
}
"""ISO 3448 grade → (A, B) of ASTM D341, log10 log10(v + 0.7) = A - B log10(T_K): through the grade's viscosity at 40
degC and that at 100 degC for a viscosity index of 100 by ASTM D2270."""


class Settings(DetectorSettings):
    """Firing with hot oil."""

    rising = ("cool_c", "limit_c", "high_c")

    limit_c: float = Field(80.0, description="Temperature above which the oil is hot, degC (176 degF)")
    on_delay_s: float = Field(5.0, ge=0, description="Time that the oil must stay above the limit, s")
    cool_c: float = Field(78.0, description="Temperature at or below which the oil is cool again, degC")
    high_c: float = Field(85.0, description="Peak temperature above which the alert has high priority, degC")
    oil_grade: OilGrade = Field(
        "VG 46", description="ISO 3448 grade of the hydraulic oil; see the carrier's manual"
    )


STATE: Final = np.dtype(
    [
        ("oil", "<f8"),
        ("oil_until", "<i8"),  # how long that value is known
        ("above_since", "<i8"),  # start of the on-delay; NEVER: it does not run
        ("hot", "<i8"),
        ("onset", "<i8"),
        ("high", "<i8"),
        ("peak", "<f8"),
        ("fired", "<i8"),  # ns of firing while hot
    ]
)
PARAMS: Final = np.dtype(
    [
        ("limit", "<f8"),
        ("on_delay", "<i8"),
        ("cool", "<f8"),
        ("high", "<f8"),
        ("walther_a", "<f8"),
        ("walther_b", "<f8"),
    ]
)

_HOLD: Final = CHANNELS["oil_c"].hold_ns


@part
def viscosity_mm2_s(oil_c: float, walther_a: float, walther_b: float) -> float:
    """Return the kinematic viscosity, mm2/s, by ASTM D341's equation for more than 2 mm2/s."""
    return 10.0 ** (10.0 ** (walther_a - walther_b * math.log10(oil_c + 273.15))) - 0.7  # type: ignore[no-any-return]


@part
def _emit(state: Any, params: Any, step: int, at: int, fired: int, out: Any) -> None:
    """Write a step of the fault with its evidence."""
    evidence = (state.peak, float(fired), viscosity_mm2_s(state.peak, params.walther_a, params.walther_b))
    emit(out, 0, step, state.onset, at, HIGH if state.high else MEDIUM, evidence)


@part
def _take_oil(state: Any, params: Any, value: float, now: int, out: Any) -> None:
    """Take a sampled oil temperature."""
    state.oil = value
    state.oil_until = now + _HOLD
    if state.hot and value <= params.cool:
        if state.onset != NEVER:
            _emit(state, params, CLEARED, now, state.fired, out)
        state.hot = 0
        state.onset = NEVER
        state.high = 0
    if state.hot:
        if value > state.peak:
            state.peak = value
            if value > params.high and state.onset != NEVER and not state.high:
                state.high = 1
                _emit(state, params, ESCALATED, now, state.fired, out)
    elif value <= params.limit:
        state.above_since = NEVER
    elif state.above_since == NEVER:
        state.above_since = now


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any) -> bool:  # noqa: ARG001
    """Tell whether the oil is neither hot nor on its way there."""
    return not state.hot and state.above_since == NEVER and oil_c.highest <= params.limit


@part
def run(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any, out: Any) -> None:
    firing_ends = firing_by_row(tile, rows)
    for i in range(tile.first - 1, tile.last):
        start, end = interval(tile, rows, i)
        value = value_at(tile, oil_c, i)
        if value > params.limit or (value == value and (state.hot or state.above_since != NEVER)):
            _take_oil(state, params, value, start, out)
        hot_from = start
        if state.above_since != NEVER:
            last = i + 1 == tile.last
            due = state.above_since + params.on_delay
            # A row at `due` decides about that instant; at the watermark itself there is none.
            if due < state.oil_until and (due < end or (last and due == end)):
                state.hot = 1
                state.above_since = NEVER
                state.peak = state.oil
                state.fired = 0
                hot_from = due
            elif state.oil_until < end or (last and state.oil_until == end):
                state.above_since = NEVER
        fires_until = unchecked(firing_ends, i + 1)
        if state.hot and fires_until > hot_from:
            if state.onset == NEVER:
                state.onset = hot_from
                state.high = 1 if state.peak > params.high else 0
                _emit(state, params, RAISED, hot_from, 0, out)
            state.fired += max(0, min(fires_until, end) - hot_from)
    if tile.report and state.onset != NEVER:
        _emit(state, params, STANDING, tile.upto, state.fired, out)


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        settings.limit_c,
        instant.seconds(settings.on_delay_s),
        settings.cool_c,
        settings.high_c,
        *WALTHER[settings.oil_grade],
    )


DETECTOR: Final = Detector(
    name="hot_oil",
    version=1,
    faults=(
        Fault(
            "hot_oil",
            "Fired with the oil at up to {peak_oil_c:.1f} °C; stop and let it cool.",
            {"peak_oil_c": hundredth, "firing_hot_s": seconds, "viscosity_mm2_s": hundredth},
            of_operator=True,
            by_machine=True,
            highlights=(
                Highlight("peak_oil_c", "the hottest: {value:.1f} °C"),
                Highlight("firing_hot_s", "the most firing with hot oil: {value:.0f} s"),
            ),
            picture_s=(300, 600),
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("oil_c",),
    fresh={"oil_until": NEVER, "above_since": NEVER, "onset": NEVER},
    needs=(FIRING, ("oil_c",)),
)
