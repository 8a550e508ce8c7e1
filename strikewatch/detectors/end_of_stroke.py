"""end_of_stroke: fired for 1 s with a cylinder within 5 % of either end of its stroke.

There the cylinder, and not its oil, takes the blows (common practice, no published source).
"""

import math
from decimal import Decimal
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault
from strikewatch.detectors.base import DetectorSettings, seconds
from strikewatch.detectors.limit_rule import WHICH, spells


class Settings(DetectorSettings):
    """Firing with a cylinder at the end of its stroke."""

    margin: float = Field(0.05, ge=0, lt=0.5, description="This close to an end, share of the stroke")
    limit_s: float = Field(1.0, ge=0, description="Firing there that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")


def _limits(settings: Settings) -> tuple[float, float]:
    # Within the margin includes its edge, as the decimal that people write.
    far = float(1 - Decimal(repr(settings.margin)))
    return math.nextafter(settings.margin, math.inf), math.nextafter(far, -math.inf)


def _cylinders(bits: float) -> str:
    return " ".join(name for k, name in enumerate(("boom", "stick", "bucket")) if int(bits) >> k & 1)


DETECTOR: Final = spells(
    Fault(
        "end_of_stroke",
        "Fired {firing_end_s:.1f} s with a cylinder at the end of its stroke ({cylinders}); move the carrier.",
        {"firing_end_s": seconds, "cylinders": _cylinders},
        of_operator=True,
    ),
    Settings,
    ("boom_stroke", "stick_stroke", "bucket_stroke"),
    _limits,
    tells=WHICH,
    title="Boom, stick and bucket, share of the stroke",
)
