"""The channels a feed may carry: unit, how long a value holds, and what is physically possible.

Hold times are those of the fault definitions. Ranges are those of common transducers: pressures from below
NAMUR NE 43's lower fault current on 0-400 bar up to a 600 bar cell; temperature and engine speed as SAE J1939-71
allows (SPN 1638: -40..210 degC, SPN 190: 0..8031.875 rpm), so that its error and not-available codes (0xFE.., 0xFF..)
fall outside and count as missing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from strikewatch.core.instant import SECOND


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel. `hold_ns`: how long a value stands for the time after it. `low`..`high`: closed range."""

    name: str
    unit: str
    hold_ns: int
    low: float
    high: float
    boolean: bool = False


def _channel(name: str, unit: str, hold_s: int, low: float, high: float, boolean: bool = False) -> Channel:
    return Channel(name, unit, hold_s * SECOND, low, high, boolean)


CHANNELS: Final[dict[str, Channel]] = {
    c.name: c
    for c in (
        _channel("active", "1", 2, 0.0, 1.0, boolean=True),
        _channel("pressure_bar", "bar", 2, -10.0, 600.0),
        _channel("oil_c", "Cel", 60, -40.0, 210.0),
        _channel("engine_rpm", "rpm", 10, 0.0, 8031.875),
        _channel("tool_x_m", "m", 10, -1e7, 1e7),
        _channel("tool_y_m", "m", 10, -1e7, 1e7),
        _channel("tool_z_m", "m", 10, -1e7, 1e7),
        _channel("swing_deg", "deg", 10, -360.0, 360.0),
        _channel("tilt_deg", "deg", 10, -180.0, 180.0),
        _channel("boom_stroke", "1", 10, 0.0, 1.0),
        _channel("stick_stroke", "1", 10, 0.0, 1.0),
        _channel("bucket_stroke", "1", 10, 0.0, 1.0),
        _channel("feed_bar", "bar", 2, -10.0, 600.0),
        _channel("side_load_bar", "bar", 2, -10.0, 600.0),
        _channel("water_m", "m", 60, -100.0, 100.0),
        _channel("grease_level", "1", 600, 0.0, 1.0),
        _channel("grease_flow", "1", 600, 0.0, 1.0, boolean=True),
        _channel("grease_bar", "bar", 2, -10.0, 600.0),
        _channel("boom_deg", "deg", 10, -360.0, 360.0),
        _channel("stick_deg", "deg", 10, -360.0, 360.0),
        _channel("bucket_deg", "deg", 10, -360.0, 360.0),
    )
}
"""Every channel by name, in the order of the contract."""

BASIC: Final = ("active", "pressure_bar", "oil_c")
"""Channels of every feed; all others are optional."""

PSI_PER_BAR: Final = 14.503773773
"""One bar in pounds-force per square inch (NIST SP 811, appendix B.8)."""

ALIASES: Final[dict[str, tuple[str, Callable[[Any], Any]]]] = {
    "oil_f": ("oil_c", lambda fahrenheit: (fahrenheit - 32.0) * 5.0 / 9.0),
    "pressure_psi": ("pressure_bar", lambda psi: psi / PSI_PER_BAR),
    "pressure_mpa": ("pressure_bar", lambda mpa: mpa * 10.0),
    "pressure_pa": ("pressure_bar", lambda pa: pa / 1e5),
}
"""Accepted in place of a channel: the channel's name and the conversion (numbers and numpy arrays alike)."""


def hold_column(channel: str) -> str:
    """The column that tells, for each value of a channel, how long it stands, s; before `intake.standing` only."""
    return f"hold_s:{channel}"
