"""The faults that are a value beyond a limit while the hammer fires or, for `prying`, at any time.

The rule is `limit_rule`'s. A new fault of this kind is one more entry here: its settings, and a line of `DETECTORS`
with its fault, channels and limits. All times and angles are common practice without a published source. A limit that
belongs to the hammer or its carrier has no default: it comes from the operator's manual, and the fault is not judged
without it.
"""

import math
from decimal import Decimal
from typing import Any, Final

from pydantic import Field

from strikewatch.core.finding import Fault, Highlight, PositionCause
from strikewatch.detectors.base import Detector, DetectorSettings, hundredth, seconds, tenth, whole
from strikewatch.detectors.limit_rule import ABSOLUTE, CHANNELS_BEYOND, FROM_LINE, LOWEST, limit_rule

PAUSE_S: Final[Any] = Field(
    2.0, ge=0, description="Time without the condition after which the fault has ended, s"
)


class LowEngineSpeed(DetectorSettings):
    """Firing at low engine speed: the pump then gives less oil than the hammer is set for."""

    rated_rpm: float | None = Field(
        None,
        gt=0,
        description="The carrier's rated working speed, rpm; from its manual; left out: not judged",
    )
    least_share: float = Field(
        0.9, gt=0, le=1, description="Share of the rated speed below which the speed is low"
    )
    limit_s: float = Field(5.0, ge=0, description="Firing time at low speed from which it is a fault, s")
    pause_s: float = PAUSE_S

    def silenced(self) -> str | None:
        return "the carrier's rated_rpm is not set" if self.rated_rpm is None else None

    def limits(self) -> tuple[float, float]:
        if self.rated_rpm is None:
            return -math.inf, math.inf
        # The product of the decimals that people write, not of their binary approximations.
        return float(Decimal(repr(self.rated_rpm)) * Decimal(repr(self.least_share))), math.inf


class EndOfStroke(DetectorSettings):
    """Firing with a cylinder at the end of its stroke, where the cylinder takes the blows and not its oil."""

    margin: float = Field(
        0.05, ge=0, lt=0.5, description="Distance from either end that counts as the end, share of the stroke"
    )
    limit_s: float = Field(1.0, ge=0, description="Firing time there from which it is a fault, s")
    pause_s: float = PAUSE_S

    def limits(self) -> tuple[float, float]:
        # The margin includes its edge, as the decimal that people write.
        far = float(1 - Decimal(repr(self.margin)))
        return math.nextafter(self.margin, math.inf), math.nextafter(far, -math.inf)


class OverSide(DetectorSettings):
    """Firing over the side of the tracks, where the carrier stands less firmly; 180 degrees is along them again."""

    limit_deg: float = Field(
        45.0, ge=0, lt=90, description="Largest permitted angle to the line of the tracks, deg"
    )
    limit_s: float = Field(3.0, ge=0, description="Firing time there from which it is a fault, s")
    pause_s: float = PAUSE_S

    def limits(self) -> tuple[float, float]:
        return -math.inf, self.limit_deg


class OffSquare(DetectorSettings):
    """Firing at an angle to the surface: the piston strikes a tool that leans in its bushings."""

    limit_deg: float = Field(
        15.0, ge=0, le=180, description="Largest permitted angle from square to the surface, deg"
    )
    limit_s: float = Field(2.0, ge=0, description="Firing time there from which it is a fault, s")
    pause_s: float = PAUSE_S

    def limits(self) -> tuple[float, float]:
        return -math.inf, self.limit_deg


class FeedForce(DetectorSettings):
    """Firing with too little force on the tool (half-blank blows) or too much (the carrier lifts, the tool bends)."""

    low_bar: float | None = Field(
        None,
        description="Feed pressure below which the force is too low, bar; from the manual; left out: not judged",
    )
    high_bar: float | None = Field(
        None,
        description="Feed pressure above which the carrier lifts, bar; from the manual; left out: not judged",
    )
    limit_s: float = Field(
        3.0, ge=0, description="Firing time outside these limits from which it is a fault, s"
    )
    pause_s: float = PAUSE_S

    def silenced(self) -> str | None:
        unset = self.low_bar is None and self.high_bar is None
        return "neither low_bar nor high_bar of its feed is set" if unset else None

    def limits(self) -> tuple[float, float]:
        low, high = self.low_bar, self.high_bar
        return -math.inf if low is None else low, math.inf if high is None else high


class Prying(DetectorSettings):
    """Side load on the tool, firing or not: tool, bushings and retaining pins take it."""

    limit_bar: float | None = Field(
        None, description="Side load above which it is prying, bar; from the profile; left out: not judged"
    )
    limit_s: float = Field(0.5, ge=0, description="Time above it from which it is a fault, s")
    pause_s: float = Field(
        0.0, ge=0, description="Time not above it after which the fault has ended, s (0: at once)"
    )

    def silenced(self) -> str | None:
        return "the limit_bar of its side load is not set" if self.limit_bar is None else None

    def limits(self) -> tuple[float, float]:
        return -math.inf, math.inf if self.limit_bar is None else self.limit_bar


class Submerged(DetectorSettings):
    """Firing under water, which destroys seals and washes out grease, with a hammer not fitted for it."""

    fitted_for_water: bool = Field(False, description="Whether the hammer is fitted for work under water")
    limit_s: float = Field(
        0.0, ge=0, description="Firing time under water from which it is a fault, s (0: any)"
    )
    pause_s: float = PAUSE_S

    def silenced(self) -> str | None:
        return "the hammer is fitted for work under water" if self.fitted_for_water else None

    def limits(self) -> tuple[float, float]:
        return -math.inf, math.inf if self.fitted_for_water else 0.0


def _cylinders(bits: float) -> str:
    return " ".join(name for k, name in enumerate(("boom", "stick", "bucket")) if int(bits) >> k & 1)


LOW_ENGINE_SPEED: Final = limit_rule(
    Fault(
        "low_engine_speed",
        "Fired {firing_slow_s:.1f} s with the engine down to {lowest_rpm} rpm; bring it to working speed first.",
        {"firing_slow_s": seconds, "lowest_rpm": whole},
        of_operator=True,
        by_machine=True,
    ),
    LowEngineSpeed,
    ("engine_rpm",),
    reports=LOWEST,
    title="Engine speed, rpm",
)
END_OF_STROKE: Final = limit_rule(
    Fault(
        "end_of_stroke",
        "Fired {firing_end_s:.1f} s with a cylinder at the end of its stroke ({cylinders}); move the carrier.",
        {"firing_end_s": seconds, "cylinders": _cylinders},
        of_operator=True,
        position_cause=PositionCause(
            "{firing_end_s:.1f} s at the end of a stroke ({cylinders})", lambda a, b: int(a) | int(b)
        ),
    ),
    EndOfStroke,
    ("boom_stroke", "stick_stroke", "bucket_stroke"),
    reports=CHANNELS_BEYOND,
    title="Boom, stick and bucket, share of the stroke",
)
OVER_SIDE: Final = limit_rule(
    Fault(
        "over_side",
        "Fired {firing_over_side_s:.1f} s up to {from_track_max_deg:.0f}° off the tracks' line; turn the carrier.",
        {"firing_over_side_s": seconds, "from_track_max_deg": tenth},
        of_operator=True,
        highlights=(
            Highlight("from_track_max_deg", "the furthest: {value:.0f}° from the line of the tracks"),
        ),
        position_cause=PositionCause(
            "{firing_over_side_s:.1f} s up to {from_track_max_deg:.0f}° off the line of the tracks"
        ),
    ),
    OverSide,
    ("swing_deg",),
    measure=FROM_LINE,
    title="From the line of the tracks, °",
)
OFF_SQUARE: Final = limit_rule(
    Fault(
        "off_square",
        "Fired {firing_off_square_s:.1f} s with the tool up to {tilt_max_deg:.0f}° off square; set it square first.",
        {"firing_off_square_s": seconds, "tilt_max_deg": tenth},
        of_operator=True,
        highlights=(Highlight("tilt_max_deg", "the furthest off square: {value:.0f}°"),),
        position_cause=PositionCause("{firing_off_square_s:.1f} s up to {tilt_max_deg:.0f}° off square"),
    ),
    OffSquare,
    ("tilt_deg",),
    measure=ABSOLUTE,
    title="Off square, °",
)
FEED_FORCE: Final = limit_rule(
    Fault(
        "feed_force",
        "Fired {firing_off_band_s:.1f} s with feed at {feed_min_bar:.0f} to {feed_max_bar:.0f} bar, outside its band; "
        "press as the operator's manual says.",
        {"firing_off_band_s": seconds, "feed_min_bar": tenth, "feed_max_bar": tenth},
        of_operator=True,
        by_machine=True,
    ),
    FeedForce,
    ("feed_bar",),
    reports=LOWEST,
    title="Feed, bar",
)
PRYING: Final = limit_rule(
    Fault(
        "prying",
        "Side load on the tool of up to {side_load_max_bar:.0f} bar for {pried_s:.1f} s; the hammer is no crowbar.",
        {"pried_s": seconds, "side_load_max_bar": tenth},
        of_operator=True,
        highlights=(Highlight("side_load_max_bar", "the hardest: {value:.0f} bar"),),
    ),
    Prying,
    ("side_load_bar",),
    only_firing=False,
    title="Side load, bar",
)
SUBMERGED: Final = limit_rule(
    Fault(
        "submerged",
        "Fired with water up to {water_max_m:.2f} m above the lower bushing ({firing_submerged_s:.1f} s); lift it out.",
        {"firing_submerged_s": seconds, "water_max_m": hundredth},
        of_operator=True,
        highlights=(Highlight("water_max_m", "the deepest: {value:.2f} m of water"),),
    ),
    Submerged,
    ("water_m",),
    title="Water above the lower bushing, m",
)

DETECTORS: Final[tuple[Detector, ...]] = (
    LOW_ENGINE_SPEED,
    END_OF_STROKE,
    OVER_SIDE,
    OFF_SQUARE,
    FEED_FORCE,
    PRYING,
    SUBMERGED,
)
