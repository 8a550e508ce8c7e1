"""What a hammer's state says this second, in the units that people read."""

from dataclasses import dataclass
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.kernels import NEVER
from strikewatch.detectors.oil_heating import GRID, NEEDED, line
from strikewatch.engine import attribution
from strikewatch.engine.pipeline import HammerSettings

_HOLD: Final = CHANNELS["oil_c"].hold_ns
_HOUR: Final = 3600 * SECOND


@dataclass(frozen=True, slots=True)
class Limits:
    """What the values of one hammer are held against. No hours of greasing where it is automatic."""

    spot_s: float
    oil_c: float
    grease_due_h: float | None
    grease_overdue_h: float | None

    @staticmethod
    def of(settings: HammerSettings) -> "Limits":
        spot, oil, greasing = settings["same_spot"], settings["hot_oil"], settings["grease"]
        assert isinstance(spot, same_spot.Settings)
        assert isinstance(oil, hot_oil.Settings)
        assert isinstance(greasing, manual_greasing.Settings)
        hours = greasing.due_s / 3600, greasing.overdue_s / 3600
        by_hand = greasing.method == "manual"
        return Limits(spot.limit_s, oil.limit_c, *(hours if by_hand else (None, None)))


@dataclass(frozen=True, slots=True)
class Glance:
    """One hammer as of `upto` (event time, ns). None where unknown.

    `spot_s`: firing time in the present spot; `oil_slope_c_per_min`: of the line through the last 5 min;
    `oil_reaches_min`: where that line meets the limit, None unless it rises towards it.
    """

    upto: Instant
    firing: bool
    spot_s: float
    oil_c: float | None
    oil_slope_c_per_min: float | None
    oil_reaches_min: float | None
    grease_h: float
    operator: str | None
    tool: str | None
    limits: Limits


def glance(record: Any, limits: Limits, oil: tuple[Instant, float]) -> Glance:
    """Read one hammer's record of `engine.state.STATE`; `oil`: when it was sampled last, and what it was, degC."""
    reading, spot = record["reading"], record["same_spot"]
    upto = int(reading["upto"])
    slope = reaches = None
    if int(record["oil_heating"]["filled"]) >= NEEDED:
        at, per_bin = line(record["oil_heating"]["mean"])[:2]
        slope = per_bin * 60 * SECOND / GRID
        if slope > 0 and at < limits.oil_c:
            reaches = (limits.oil_c - at) / slope
    return Glance(
        upto=upto,
        firing=int(reading["until"]) > upto != NEVER,
        spot_s=int(spot["fired"]) / SECOND if spot["open"] else 0.0,
        oil_c=oil[1] if oil[0] + _HOLD > upto else None,
        oil_slope_c_per_min=slope,
        oil_reaches_min=reaches,
        grease_h=int(record["grease"]["clock"]) / _HOUR,
        operator=attribution.on_duty(record[attribution.OPERATORS.name], upto),
        tool=attribution.tool_at(record[attribution.TOOLS.name], upto),
        limits=limits,
    )
