"""Kinematics of a carrier's arm in its plane: joint angles and cylinder strokes. Invented lengths and angles.

The hammer is a third link at the end of the stick. The angles follow from the law of cosines in the triangle of boom,
stick and the line from the boom foot to the end of the stick. A stroke is taken as linear in its joint angle.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from strikewatch.demo.people import Range


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
        line_m = math.hypot(out_m, up_m)
        boom_deg = math.degrees(math.atan2(up_m, out_m)) + _corner(self.boom_m, line_m, self.stick_m)
        stick_deg = _corner(self.boom_m, self.stick_m, line_m) - 180.0
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
        between = math.pi + math.radians(first + (last - first) * stick)
        tilt = math.radians(tilt_deg)
        up_m = height_m + self.tool_m * math.cos(tilt) - self.foot_m
        line_2 = self.boom_m**2 + self.stick_m**2 - 2.0 * self.boom_m * self.stick_m * math.cos(between)
        return math.sqrt(line_2 - up_m**2) + self.tool_m * math.sin(tilt)


def _corner(one: float, other: float, opposite: float) -> float:
    """Return the angle between two sides of a triangle, degrees."""
    cosine = (one**2 + other**2 - opposite**2) / (2.0 * one * other)
    if abs(cosine) > 1.0:
        raise ValueError(
            f"sides of {one:.2f}, {other:.2f} and {opposite:.2f} m do not form a triangle: out of reach"
        )
    return math.degrees(math.acos(cosine))
