"""same_spot: continuous firing in one spot (15 s, common practice, no published source).

A spot begins at the first firing instant after the previous one ended. It ends after `reposition_s` without firing
(at the last firing instant), or at an instant of firing at which the tool tip is known to be more than
`spot_radius_m`, horizontally, from where the spot began.
"""

import math
from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import Detector, DetectorSettings, Fault, seconds, tenth
from strikewatch.detect.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    sample,
)
from strikewatch.model import instant
from strikewatch.model.channels import CHANNELS


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
        ("open", "<i8"),
        ("fired", "<i8"),  # ns of firing in the spot
        ("last_fire", "<i8"),  # up to where it fired last
        ("onset", "<i8"),
        ("high", "<i8"),
        ("placed", "<i8"),  # where the spot began is known: ref_x, ref_y
        ("ref_x", "<f8"),
        ("ref_y", "<f8"),
        ("x", "<f8"),
        ("y", "<f8"),
        ("x_until", "<i8"),
        ("y_until", "<i8"),
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


@kernel
def _evidence(s: Any, fired: int) -> Any:
    pressure = s.pressure_sum / s.pressure_n if s.pressure_n else math.nan
    return (float(fired), float(s.placed), pressure, s.oil_max)


@kernel
def _begin(s: Any) -> None:
    s.open = 1
    s.fired = 0
    s.onset = NEVER
    s.high = 0
    s.placed = 0
    s.oil_max = math.nan
    s.pressure_sum = 0.0
    s.pressure_n = 0


@kernel
def _end(s: Any, at: int, out: Any, n: int, g: int) -> int:
    s.open = 0
    if s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, HIGH if s.high else MEDIUM, _evidence(s, s.fired))
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    tool_x_m: Any,
    tool_y_m: Any,
    pressure_bar: Any,
    oil_c: Any,
    out: Any,
) -> int:
    n = 0
    posed = tool_x_m.size > 0 or tool_y_m.size > 0
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        a = span.since
        for i in range(span.first - 1, span.last):
            if i >= span.first:
                a = time_ns[i]
                if posed:
                    x = sample(tool_x_m, i)
                    y = sample(tool_y_m, i)
                    if x == x:
                        s.x = x
                        s.x_until = a + _HOLD_POSE
                    if y == y:
                        s.y = y
                        s.y_until = a + _HOLD_POSE
                v = sample(oil_c, i)
                if v == v:
                    s.oil = v
                    s.oil_until = a + _HOLD_OIL
            b = time_ns[i + 1] if i + 1 < span.last else span.upto
            f = fire_until[i + 1 + g]
            if f > a:
                f = min(f, b)
                if not s.open:
                    _begin(s)
                if s.x_until > a and s.y_until > a:
                    if s.placed and math.hypot(s.x - s.ref_x, s.y - s.ref_y) > p.radius:
                        n = _end(s, a, out, n, g)
                        _begin(s)
                    if not s.placed:
                        s.placed = 1
                        s.ref_x = s.x
                        s.ref_y = s.y
                if i >= span.first:
                    v = sample(pressure_bar, i)
                    if v == v:
                        s.pressure_sum += v
                        s.pressure_n += 1
                if s.oil_until > a and not s.oil <= s.oil_max:
                    s.oil_max = s.oil
                before = s.fired
                s.fired = before + (f - a)
                s.last_fire = f
                if s.fired >= p.limit:
                    if s.onset == NEVER:
                        s.onset = a + p.limit - before
                        n = emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, _evidence(s, p.limit))
                    if not s.high and s.fired >= 2 * p.limit:
                        s.high = 1
                        at = a + 2 * p.limit - before
                        n = emit(out, n, g, 0, ESCALATED, s.onset, at, HIGH, _evidence(s, 2 * p.limit))
            if s.open and b - s.last_fire >= p.reposition:
                n = _end(s, s.last_fire, out, n, g)
        if report and s.open and s.onset != NEVER:
            n = emit(
                out, n, g, 0, STANDING, s.onset, span.upto, HIGH if s.high else MEDIUM, _evidence(s, s.fired)
            )
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.limit_s),
        instant.seconds(settings.reposition_s),
        settings.spot_radius_m,
    )


DETECTOR: Final = Detector(
    name="same_spot",
    version=1,
    faults=(
        Fault(
            "same_spot",
            "Fired {firing_s:.1f} s in one spot; reposition, or break from another side.",
            {"firing_s": seconds, "pose_known": bool, "mean_pressure_bar": tenth, "oil_max_c": tenth},
            of_operator=True,
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("tool_x_m", "tool_y_m", "pressure_bar", "oil_c"),
    fresh={"last_fire": NEVER, "onset": NEVER, "x_until": NEVER, "y_until": NEVER, "oil_until": NEVER},
)
