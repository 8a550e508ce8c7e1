"""over_side: fired for 3 s with the upper structure more than 45 degrees from the line of the tracks.

Over the side the carrier stands less firmly (common practice, no published source). The line has two ends: 180
degrees is along it again.
"""

import math
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import DetectorSettings, seconds, tenth
from strikewatch.detectors.limit_rule import OFF_LINE, spells


class Settings(DetectorSettings):
    """Firing over the side of the tracks."""

    limit_deg: float = Field(
        45.0, ge=0, lt=90, description="Farther than this from the line of the tracks, deg"
    )
    limit_s: float = Field(3.0, ge=0, description="Firing there that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")


def _limits(settings: Settings) -> tuple[float, float]:
    return -math.inf, settings.limit_deg


DETECTOR: Final = spells(
    Fault(
        "over_side",
        "Fired {firing_over_side_s:.1f} s up to {from_track_max_deg:.0f}° off the tracks' line; turn the carrier.",
        {"firing_over_side_s": seconds, "from_track_max_deg": tenth},
        of_operator=True,
        highlights=(
            Highlight("from_track_max_deg", "the furthest: {value:.0f}° from the line of the tracks"),
        ),
    ),
    Settings,
    ("swing_deg",),
    _limits,
    measure=OFF_LINE,
    title="From the line of the tracks, °",
)
