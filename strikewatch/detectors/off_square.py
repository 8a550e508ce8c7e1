"""off_square: fired for 2 s with the tool more than 15 degrees off square to the surface.

The piston then strikes a tool that leans in its bushings (common practice, no published source).
"""

import math
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import DetectorSettings, seconds, tenth
from strikewatch.detectors.limit_rule import SIZE, spells


class Settings(DetectorSettings):
    """Firing at an angle."""

    limit_deg: float = Field(
        15.0, ge=0, le=180, description="Farther than this from square to the surface, deg"
    )
    limit_s: float = Field(2.0, ge=0, description="Firing there that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")


def _limits(settings: Settings) -> tuple[float, float]:
    return -math.inf, settings.limit_deg


DETECTOR: Final = spells(
    Fault(
        "off_square",
        "Fired {firing_off_square_s:.1f} s with the tool up to {tilt_max_deg:.0f}° off square; set it square first.",
        {"firing_off_square_s": seconds, "tilt_max_deg": tenth},
        of_operator=True,
        highlights=(Highlight("tilt_max_deg", "the furthest off square: {value:.0f}°"),),
    ),
    Settings,
    ("tilt_deg",),
    _limits,
    measure=SIZE,
    title="Off square, °",
)
