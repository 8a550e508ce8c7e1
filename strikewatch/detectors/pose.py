"""The position of the tool tip from the angles and lengths of the arm, for feeds without a tool position.

The arm is a chain of three links in one vertical plane: the boom from its foot to the stick's pin, the stick to the
tool's pin, the tool to its tip. The upper structure turns that plane about the swing axis (forward kinematics of the
planar 3R arm, K. M. Lynch and F. C. Park, Modern Robotics, 2017, chapter 4). With the links' inclinations p1, p2, p3:

    reach = foot + L1 cos p1 + L2 cos p2 + L3 cos p3        x = reach cos(swing)        y = reach sin(swing)

x is ahead of the carrier at swing 0 and y to its left, both from the swing axis. The height is not computed, because
no rule uses it.

The position is derived at each row that samples one of the four angles while all are known, and is then a sample like
any other.
"""

import math
from typing import Any, Final, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.base import DetectorSettings
from strikewatch.detectors.kernels import NEVER, part, sample, unchecked

LENGTHS: Final = ("boom_m", "stick_m", "tool_m", "boom_foot_m")


class Settings(DetectorSettings):
    """The carrier's arm, for feeds with its angles instead of the tool's position."""

    boom_m: float | None = Field(
        None, gt=0, description="Length of the boom from its foot to the stick's pin, m; all four, or none"
    )
    stick_m: float | None = Field(None, gt=0, description="Length of the stick, to the tool's pin, m")
    tool_m: float | None = Field(None, gt=0, description="Length from the tool's pin to its tip, m")
    boom_foot_m: float | None = Field(
        None, description="Distance of the boom's foot in front of the swing axis, m"
    )
    angles: Literal["joint", "level"] = Field(
        "joint",
        description="What angles are measured from, rising positive: joint, the link before; level, the horizontal",
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        missing = [name for name in LENGTHS if getattr(self, name) is None]
        if missing and len(missing) < len(LENGTHS):
            raise ValueError(
                f"an arm has {', '.join(LENGTHS)}; give {', '.join(missing)} too, or none of them"
            )
        return self


NAME: Final = "pose"
VERSION: Final = 1
STATE: Final = np.dtype(
    [
        ("has_tool_x_m", "<i8"),
        ("has_tool_y_m", "<i8"),
        ("deg", "<f8", (4,)),  # last known angles, in the order of ANGLES
        ("until", "<i8", (4,)),  # how long each is known
    ]
)
FRESH: Final = {"until": NEVER}
PARAMS: Final = np.dtype([("arm", "<i8"), ("level", "<i8"), ("length", "<f8", (3,)), ("foot", "<f8")])
ANGLES: Final = ("boom_deg", "stick_deg", "bucket_deg", "swing_deg")
TIP: Final = ("tool_x_m", "tool_y_m")

_HOLD: Final = CHANNELS["boom_deg"].hold_ns
_RADIANS: Final = math.pi / 180.0


def params(settings: DetectorSettings) -> tuple[Any, ...]:
    """Return the fields of one record of PARAMS."""
    assert isinstance(settings, Settings)
    length = settings.boom_m, settings.stick_m, settings.tool_m
    foot = settings.boom_foot_m
    if foot is None:
        return 0, 0, (0.0, 0.0, 0.0), 0.0
    return 1, settings.angles == "level", length, foot


@part
def _take_angle(state: Any, k: int, value: float, now: int) -> bool:
    """Take angle number k, if it was sampled; return whether it was."""
    if value != value:
        return False
    state.deg[k] = value
    state.until[k] = now + _HOLD
    return True


@part
def _reach(params: Any, deg: Any) -> float:
    """Return the horizontal distance from the swing axis to the tip, m."""
    reach = params.foot
    inclined = 0.0
    for k in range(3):
        inclined = deg[k] if params.level else inclined + deg[k]
        reach += params.length[k] * math.cos(inclined * _RADIANS)
    return reach  # type: ignore[no-any-return]


@part
def derive(
    tile: Any, state: Any, params: Any, time_ns: Any, angles: Any, tool_x_m: Any, tool_y_m: Any
) -> None:
    """Write the positions derived in a tile to `tool_x_m` and `tool_y_m`, until the feed has a position itself.

    Args:
        state, params: records of STATE and PARAMS; the arm is configured.
        angles: the columns of ANGLES.
    """
    boom_deg, stick_deg, bucket_deg, swing_deg = angles
    for i in range(tile.first, tile.last):
        if unchecked(tool_x_m, i) == unchecked(tool_x_m, i):
            state.has_tool_x_m = 1
        if unchecked(tool_y_m, i) == unchecked(tool_y_m, i):
            state.has_tool_y_m = 1
        if state.has_tool_x_m or state.has_tool_y_m:
            break
        now = unchecked(time_ns, i)
        sampled = _take_angle(state, 0, sample(boom_deg, i), now)
        sampled |= _take_angle(state, 1, sample(stick_deg, i), now)
        sampled |= _take_angle(state, 2, sample(bucket_deg, i), now)
        sampled |= _take_angle(state, 3, sample(swing_deg, i), now)
        if sampled and min(state.until[0], state.until[1], state.until[2], state.until[3]) > now:
            reach = _reach(params, state.deg)
            swing = state.deg[3] * _RADIANS
            tool_x_m[np.uintp(i)] = reach * math.cos(swing)
            tool_y_m[np.uintp(i)] = reach * math.sin(swing)
