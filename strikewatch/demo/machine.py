"""Models of the machine: a hydraulic breaker at its supply line, the oil that it heats, and an instrumented carrier.

The ratios of the breaker are those of a lumped model, not of a real one: 18 % less flow gives 26 % less pressure
and 11 % less rate; hard rock 10 % less pressure and 15 % more rate (the piston rebounds); a blow struck blank
20 to 60 % less pressure and a lower rate (longer stroke, no rebound). `blank` is that fall, 0 = loaded.

The oil is one heated mass: C dT/dt = P - UA (T - Ta). C in J/K is its heat capacity, P in W the power lost to it, UA in
W/K what the cooler and the walls carry off per degree, Ta in degC the air. For constant P, UA and Ta the exact solution
is an exponential approach, so a whole shift is a chain of exact pieces and does not depend on the sampling grid.

All of the carrier is invented. The hammer is a third link at the end of the stick. The angles follow from the law of
cosines in the triangle of boom, stick and the line from the boom foot to the end of the stick. A stroke is taken as
linear in its joint angle.

>>> circuit = OilCircuit(volume_l=150.0)
>>> round(circuit.final_c(12_000.0, 30.0), 1), round(circuit.time_constant_s() / 60.0, 1)
(84.5, 18.8)
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats

Range = tuple[float, float]
"""Lowest and highest value; drawn uniformly."""

PRESSURE_BY_FLOW = math.log(0.74) / math.log(0.82)
RATE_BY_FLOW = math.log(0.89) / math.log(0.82)
RATE_FALL_BY_BLANK = 0.5
"""A blank blow that loses 40 % of its pressure loses 20 % of its rate."""


@dataclass(frozen=True, slots=True)
class Breaker:
    """Working point at rated flow: level in bar, blows a minute (300-1500), peak-to-peak pulse in bar.

    `vents`: a design that bypasses the oil during blank firing, so that the pulses stop. `rise_s` and `decay_s`
    are the time constants of the supply line at the start of a bout and after release.
    """

    level_bar: float = 145.0
    blows_per_min: float = 620.0
    pulse_bar: float = 16.0
    flow_l_per_min: float = 120.0
    standby_bar: float = 12.0
    rise_s: float = 0.25
    decay_s: float = 0.12
    vents: bool = False

    def working_bar(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the mean supply pressure, bar. `flow` as a share of rated; `hard` 0..1; `blank` 0..0.6."""
        return self.level_bar * math.pow(flow, PRESSURE_BY_FLOW) * (1.0 - 0.10 * hard) * (1.0 - blank)

    def rate_hz(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the blow rate, Hz."""
        loaded = self.blows_per_min / 60.0 * math.pow(flow, RATE_BY_FLOW) * (1.0 + 0.15 * hard)
        return loaded * (1.0 - RATE_FALL_BY_BLANK * blank)

    def swing_bar(self, blank: float = 0.0) -> float:
        """Return the peak-to-peak pulse, bar."""
        if blank > 0.0 and self.vents:
            return 0.0
        return self.pulse_bar * (1.0 - blank)

    def loss_w(self, flow: float = 1.0, hard: float = 0.0, blank: float = 0.0) -> float:
        """Return the heat left in the oil, W: 55 % of the hydraulic power (bar x L/min / 600 kW), or all if blank."""
        power_w = self.working_bar(flow, hard, blank) * self.flow_l_per_min * flow / 600.0 * 1000.0
        return power_w * (1.0 if blank > 0.0 else 0.55)


def pulse(phase: Floats) -> Floats:
    """Return the pulse of a blow over its phase [n], in blows: mean 0, peak to peak 1; slow rise, quick fall."""
    turn = 2.0 * np.pi * phase
    shape: Floats = (np.sin(turn) - 0.5 * np.sin(2.0 * turn)) / PEAK_TO_PEAK
    return shape


PEAK_TO_PEAK = 1.5 * math.sqrt(3.0)
"""Of sin x - sin(2x)/2: its extremes, at 120 and 240 degrees, are +-3 sqrt(3)/4."""

DENSITY_KG_PER_L = 0.87
HEAT_J_PER_KG_K = 1900.0


def approach(start: float, final: float, time_constant_s: float, after_s: float) -> float:
    """Return the value of a first-order system `after_s` seconds after it started from `start` towards `final`."""
    return final + (start - final) * math.exp(-after_s / time_constant_s)


def crossing_s(start: float, final: float, time_constant_s: float, limit: float) -> float | None:
    """Return the seconds until the approach from `start` to `final` reaches `limit`; None if it never does."""
    if (start - limit) * (final - limit) >= 0.0:
        return None
    return time_constant_s * math.log((start - final) / (limit - final))


@dataclass(frozen=True, slots=True)
class OilCircuit:
    """Oil volume in litres; UA in W/K with the fan running and, far less, with the engine off."""

    volume_l: float = 150.0
    ua_w_per_k: float = 220.0
    ua_still_w_per_k: float = 60.0

    def _ua(self, fan: bool) -> float:
        return self.ua_w_per_k if fan else self.ua_still_w_per_k

    def final_c(self, loss_w: float, air_c: float, fan: bool = True) -> float:
        """Return the final temperature at constant loss, degC."""
        return air_c + loss_w / self._ua(fan)

    def time_constant_s(self, fan: bool = True) -> float:
        """Return the time constant, s."""
        return self.volume_l * DENSITY_KG_PER_L * HEAT_J_PER_KG_K / self._ua(fan)


class Joints(NamedTuple):
    """Joint angles, degrees: the boom from horizontal, stick and tool each from the previous link; up is positive."""

    boom: float
    stick: float
    bucket: float


class Strokes(NamedTuple):
    """Extension of each cylinder, 0..1 of its stroke."""

    boom: float
    stick: float
    bucket: float


@dataclass(frozen=True, slots=True)
class Arm:
    """Lengths, m, and for each joint its angle with the cylinder retracted and extended, degrees (see Joints)."""

    foot_m: float = 1.8
    boom_m: float = 5.7
    stick_m: float = 2.9
    tool_m: float = 2.6
    boom_deg: Range = (-40.0, 65.0)
    stick_deg: Range = (-25.0, -145.0)
    bucket_deg: Range = (45.0, -130.0)

    def joints(self, reach_m: float, height_m: float, tilt_deg: float) -> Joints:
        """Return the joints for a tip `reach_m` from the boom foot, `height_m` above ground, `tilt_deg` from vertical.

        Raises ValueError if it is out of reach.
        """
        tilt = math.radians(tilt_deg)
        out_m = reach_m - self.tool_m * math.sin(tilt)
        up_m = height_m + self.tool_m * math.cos(tilt) - self.foot_m
        foot_to_stick_m = math.hypot(out_m, up_m)
        boom_deg = math.degrees(math.atan2(up_m, out_m)) + _corner(self.boom_m, foot_to_stick_m, self.stick_m)
        stick_deg = _corner(self.boom_m, self.stick_m, foot_to_stick_m) - 180.0
        return Joints(boom_deg, stick_deg, tilt_deg - 90.0 - (boom_deg + stick_deg))

    def strokes(self, joints: Joints) -> Strokes:
        """Return the extension of each cylinder."""
        ends = (self.boom_deg, self.stick_deg, self.bucket_deg)
        return Strokes(
            *((angle - first) / (last - first) for angle, (first, last) in zip(joints, ends, strict=True))
        )

    def reach_m(self, stick: float, height_m: float, tilt_deg: float) -> float:
        """Return the reach of the tool tip for an extension of the stick cylinder, m."""
        first, last = self.stick_deg
        inner_angle = math.pi + math.radians(first + (last - first) * stick)
        tilt = math.radians(tilt_deg)
        up_m = height_m + self.tool_m * math.cos(tilt) - self.foot_m
        square_m2 = (
            self.boom_m**2 + self.stick_m**2 - 2.0 * self.boom_m * self.stick_m * math.cos(inner_angle)
        )
        return math.sqrt(square_m2 - up_m**2) + self.tool_m * math.sin(tilt)


def _corner(side_m: float, other_side_m: float, opposite_m: float) -> float:
    """Return the angle between two sides of a triangle, degrees."""
    cosine = (side_m**2 + other_side_m**2 - opposite_m**2) / (2.0 * side_m * other_side_m)
    if abs(cosine) > 1.0:
        raise ValueError(
            f"sides of {side_m:.2f}, {other_side_m:.2f} and {opposite_m:.2f} m do not form a triangle: out of reach"
        )
    return math.degrees(math.acos(cosine))


Misuse = Literal[
    "low_engine_speed",
    "end_of_stroke",
    "over_side",
    "off_square",
    "askew_at_end",
    "too_light",
    "lifted",
    "prying",
    "submerged",
]
"""Misuse on one spot. `askew_at_end`: at an angle and at the end of a stroke. `too_light`, `lifted`: wrong feed
force."""


class PlannedMisuse(NamedTuple):
    """A misuse on the first spot that begins `at_s` seconds or more after the start of the plan."""

    at_s: float
    what: Misuse


class MaintenanceTask(NamedTuple):
    """Maintenance with the engine off, between stones, at or after `at_s`; logged as an event, except a `refill`.

    `wrong`: the hour meter is misread.
    """

    at_s: float
    what: str
    fields: Mapping[str, Any] = {}
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Greaser:
    """Automatic greasing. `level`: of its reservoir, 0..1; `dry_s`: when, of the plan, its pump gives no flow."""

    level: float = 0.8
    use_per_h: float = 0.03
    dry_s: Range = (math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class Equipment:
    """`press_bar`: feed pressure in good work. `water_m`: above the lower bushing, below it in dry work."""

    arm: Arm = field(default_factory=Arm)
    greaser: Greaser = field(default_factory=Greaser)
    press_bar: Range = (58.0, 72.0)
    water_m: Range = (-1.6, -1.2)
    planned_misuse: Sequence[PlannedMisuse] = ()
    tasks: Sequence[MaintenanceTask] = ()


NAN: Final = float("nan")


class Stance(NamedTuple):
    """Values by channel name. NaN: not simulated."""

    tool_z_m: float = NAN
    swing_deg: float = NAN
    tilt_deg: float = NAN
    boom_stroke: float = NAN
    stick_stroke: float = NAN
    bucket_stroke: float = NAN
    boom_deg: float = NAN
    stick_deg: float = NAN
    bucket_deg: float = NAN
    feed_bar: float = NAN
    side_load_bar: float = NAN
    water_m: float = NAN
    grease_level: float = NAN
    grease_flow: float = NAN


BARE: Final = Stance()
