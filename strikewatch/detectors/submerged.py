"""submerged: fired with water above the lower bushing, in a hammer not fitted for it.

Water struck by the piston destroys seals and carries away grease (common practice, no published source). A hammer
fitted for work under water, with compressed air to its lower chamber, is left alone.
"""

import math
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import DetectorSettings, hundredth, seconds
from strikewatch.detectors.limit_rule import spells


class Settings(DetectorSettings):
    """Firing under water."""

    fitted_for_water: bool = Field(False, description="The hammer is fitted for work under water")
    limit_s: float = Field(0.0, ge=0, description="Firing under water that is a fault, s (0: any)")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")

    def silenced(self) -> str | None:
        return "the hammer is fitted for work under water" if self.fitted_for_water else None


def _limits(settings: Settings) -> tuple[float, float]:
    return -math.inf, math.inf if settings.fitted_for_water else 0.0


DETECTOR: Final = spells(
    Fault(
        "submerged",
        "Fired with water up to {water_max_m:.2f} m above the lower bushing ({firing_submerged_s:.1f} s); lift it out.",
        {"firing_submerged_s": seconds, "water_max_m": hundredth},
        of_operator=True,
        highlights=(Highlight("water_max_m", "the deepest: {value:.2f} m of water"),),
    ),
    Settings,
    ("water_m",),
    _limits,
    title="Water above the lower bushing, m",
)
