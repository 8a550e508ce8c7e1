"""A carrier's arm in its plane: where the tool stands, and how far out each cylinder is. Invented lengths and angles.

The hammer hangs from the end of the stick as a third link. By the law of cosines in the triangle of boom, stick and the
line from the boom's foot to the stick's end; a cylinder's stroke goes evenly with its joint's angle.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from strikewatch.demo.people import Range


class Joints(NamedTuple):
    """Of each joint, degrees: the boom above the level, stick and tool each from the link before, rising positive."""

    boom: float
    stick: float
    bucket: float


class Strokes(NamedTuple):
    """Share of each cylinder's stroke that is out, 0..1."""

    boom: float
    stick: float
    bucket: float


@dataclass(frozen=True, slots=True)
class Arm:
    """Lengths in m; of each joint its angle, degrees, with the cylinder all in and all out.

    As of Joints.
    """

    foot_m: float = 1.8
    boom_m: float = 5.7
    stick_m: float = 2.9
    tool_m: float = 2.6
    boom_deg: Range = (-40.0, 65.0)
    stick_deg: Range = (-25.0, -145.0)
    bucket_deg: Range = (45.0, -130.0)

    def joints(self, reach_m: float, height_m: float, tilt_deg: float) -> Joints:
        """With the tool's tip `reach_m` before the boom's foot, `height_m` above the ground, `tilt_deg` from upright.

        Raises ValueError out of reach.
        """
        tilt = math.radians(tilt_deg)
        out_m = reach_m - self.tool_m * math.sin(tilt)
        up_m = height_m + self.tool_m * math.cos(tilt) - self.foot_m
        line_m = math.hypot(out_m, up_m)
        boom_deg = math.degrees(math.atan2(up_m, out_m)) + _corner(self.boom_m, line_m, self.stick_m)
        stick_deg = _corner(self.boom_m, self.stick_m, line_m) - 180.0
        return Joints(boom_deg, stick_deg, tilt_deg - 90.0 - (boom_deg + stick_deg))

    def strokes(self, joints: Joints) -> Strokes:
        """How far out each cylinder is then."""
        ends = (self.boom_deg, self.stick_deg, self.bucket_deg)
        return Strokes(
            *((angle - first) / (last - first) for angle, (first, last) in zip(joints, ends, strict=True))
        )

    def reach_m(self, stick: float, height_m: float, tilt_deg: float) -> float:
        """How far out the tool stands with this much of the stick's stroke out."""
        first, last = self.stick_deg
        between = math.pi + math.radians(first + (last - first) * stick)
        tilt = math.radians(tilt_deg)
        up_m = height_m + self.tool_m * math.cos(tilt) - self.foot_m
        line_2 = self.boom_m**2 + self.stick_m**2 - 2.0 * self.boom_m * self.stick_m * math.cos(between)
        return math.sqrt(line_2 - up_m**2) + self.tool_m * math.sin(tilt)


def _corner(one: float, other: float, opposite: float) -> float:
    """The angle between two sides of a triangle, degrees."""
    cosine = (one**2 + other**2 - opposite**2) / (2.0 * one * other)
    if abs(cosine) > 1.0:
        raise ValueError(
            f"sides of {one:.2f}, {other:.2f} and {opposite:.2f} m make no triangle: out of reach"
        )
    return math.degrees(math.acos(cosine))
