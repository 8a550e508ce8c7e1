"""same_spot: continuous firing in one spot (15 s, common practice, no published source).

A spot begins at the first firing instant after the previous one ended. It ends after `reposition_s` without firing
(at the last firing instant), or at an instant of firing at which the tool tip is known to be more than
`spot_radius_m`, horizontally, from where the spot began.
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
    kernel,
    newest,
    next_firing,
    nothing_yet,
    nth,
    part,
    sample,
)


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
        ("unseen", "<i8"),  # the pose has changed since it was looked at, or the spot has no place yet
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
def _evidence(s: Any, fired: int, oil_max: float, pressure_sum: float, pressure_n: int) -> Any:
    pressure = pressure_sum / pressure_n if pressure_n else math.nan
    return (float(fired), float(s.placed), pressure, oil_max)


@part
def _begin(s: Any, at: int) -> Any:
    """A spot begins; returns its firing time, highest oil temperature, sum and number of pressures so far."""
    s.open = 1
    s.onset = NEVER
    s.high = 0
    s.placed = 0
    s.unseen = 1
    return 0, s.oil if s.oil_until > at else math.nan, 0.0, 0


@part
def _end(s: Any, at: int, evidence: Any, out: Any, n: int, g: int) -> int:
    s.open = 0
    s.unseen = 0
    if s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, HIGH if s.high else MEDIUM, evidence)
    return n


@part
def _look_at_oil(s: Any, time_ns: Any, oil_c: Any, first: int, i: int) -> None:
    """Know the oil's temperature as of row i, the newest of those from `first` on."""
    k = newest(oil_c, first, i)
    if k >= first:
        s.oil = oil_c[k]
        s.oil_until = nth(time_ns, k) + _HOLD_OIL


@part
def _look_at_pose(s: Any, time_ns: Any, tool_x_m: Any, tool_y_m: Any, first: int, i: int) -> None:
    """Likewise where the tool tip is."""
    k = newest(tool_x_m, first, i)
    if k >= first:
        s.x = tool_x_m[k]
        s.x_until = time_ns[k] + _HOLD_POSE
    k = newest(tool_y_m, first, i)
    if k >= first:
        s.y = tool_y_m[k]
        s.y_until = time_ns[k] + _HOLD_POSE


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
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        posed = tool_x_m.size > 0 or tool_y_m.size > 0
        fired, oil_max, pressure_sum, pressure_n = s.fired, s.oil_max, s.pressure_sum, s.pressure_n
        a = span.since
        i = span.first - 1
        while i < span.last:
            if not s.open and i >= span.first:
                i = next_firing(time_ns, fire_until, g, i, span.last)
                if i == span.last:
                    break
            row = i >= span.first
            if row:
                a = nth(time_ns, i)
            f = nth(fire_until, i + 1 + g)
            if row and posed:
                x = sample(tool_x_m, i)
                y = sample(tool_y_m, i)
                if x == x:
                    s.x = x
                    s.x_until = a + _HOLD_POSE
                    s.unseen = 1
                if y == y:
                    s.y = y
                    s.y_until = a + _HOLD_POSE
                    s.unseen = 1
            b = nth(time_ns, i + 1) if i + 1 < span.last else span.upto
            if f > a:
                f = min(f, b)
                if not s.open:
                    _look_at_oil(s, time_ns, oil_c, span.first, i)
                    _look_at_pose(s, time_ns, tool_x_m, tool_y_m, span.first, i)
                    fired, oil_max, pressure_sum, pressure_n = _begin(s, a)
                if s.unseen and s.x_until > a and s.y_until > a:
                    s.unseen = 0
                    if s.placed and math.hypot(s.x - s.ref_x, s.y - s.ref_y) > p.radius:
                        evidence = _evidence(s, fired, oil_max, pressure_sum, pressure_n)
                        n = _end(s, a, evidence, out, n, g)
                        _look_at_oil(s, time_ns, oil_c, span.first, i)
                        fired, oil_max, pressure_sum, pressure_n = _begin(s, a)
                    if not s.placed:
                        s.placed = 1
                        s.ref_x = s.x
                        s.ref_y = s.y
                if row:
                    v = sample(pressure_bar, i)
                    if v == v:
                        pressure_sum += v
                        pressure_n += 1
                    v = sample(oil_c, i)
                    if v == v and not v <= oil_max:
                        oil_max = v
                before = fired
                fired += f - a
                s.last_fire = f
                if fired >= p.limit:
                    if s.onset == NEVER:
                        s.onset = a + p.limit - before
                        evidence = _evidence(s, p.limit, oil_max, pressure_sum, pressure_n)
                        n = emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, evidence)
                    if not s.high and fired >= 2 * p.limit:
                        s.high = 1
                        at = a + 2 * p.limit - before
                        evidence = _evidence(s, 2 * p.limit, oil_max, pressure_sum, pressure_n)
                        n = emit(out, n, g, 0, ESCALATED, s.onset, at, HIGH, evidence)
            i += 1
            if s.open and b - s.last_fire >= p.reposition:
                evidence = _evidence(s, fired, oil_max, pressure_sum, pressure_n)
                n = _end(s, s.last_fire, evidence, out, n, g)
        s.fired, s.oil_max, s.pressure_sum, s.pressure_n = fired, oil_max, pressure_sum, pressure_n
        _look_at_oil(s, time_ns, oil_c, span.first, span.last - 1)
        _look_at_pose(s, time_ns, tool_x_m, tool_y_m, span.first, span.last - 1)
        if report and s.open and s.onset != NEVER:
            priority = HIGH if s.high else MEDIUM
            evidence = _evidence(s, fired, oil_max, pressure_sum, pressure_n)
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, priority, evidence)
    return n


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
