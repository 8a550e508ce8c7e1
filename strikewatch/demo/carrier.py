"""An instrumented carrier: kinematics of its arm, its equipment, and what its sensors measure. All invented.

The hammer is a third link at the end of the stick. The angles follow from the law of cosines in the triangle of boom,
stick and the line from the boom foot to the end of the stick. A stroke is taken as linear in its joint angle.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple

from strikewatch.demo.operators import Range


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
