"""low_engine_speed: fired for 5 s with the engine below 90 % of the carrier's rated working speed.

The pump then gives less oil than the hammer is set for. The rated speed is the carrier's, from its handbook: without
it the detector is silent. The share is common practice, no published source.
"""

import math
from decimal import Decimal
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault
from strikewatch.detectors.base import DetectorSettings, seconds, whole
from strikewatch.detectors.limit_rule import LOWEST, spells


class Settings(DetectorSettings):
    """Firing at low engine speed."""

    rated_rpm: float | None = Field(
        None,
        gt=0,
        description="The carrier's rated working speed, rpm; from its handbook; left out: not judged",
    )
    least_share: float = Field(0.9, gt=0, le=1, description="Below this share of it the speed is low")
    limit_s: float = Field(5.0, ge=0, description="Firing at low speed that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")

    def silenced(self) -> str | None:
        return "the carrier's rated_rpm is not set" if self.rated_rpm is None else None


def _limits(settings: Settings) -> tuple[float, float]:
    if settings.rated_rpm is None:
        return -math.inf, math.inf
    return float(Decimal(repr(settings.rated_rpm)) * Decimal(repr(settings.least_share))), math.inf


DETECTOR: Final = spells(
    Fault(
        "low_engine_speed",
        "Fired {firing_slow_s:.1f} s with the engine down to {lowest_rpm} rpm; bring it to working speed first.",
        {"firing_slow_s": seconds, "lowest_rpm": whole},
        of_operator=True,
        by_machine=True,
    ),
    Settings,
    ("engine_rpm",),
    _limits,
    tells=LOWEST,
    title="Engine speed, rpm",
)
