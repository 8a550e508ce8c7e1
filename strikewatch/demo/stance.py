"""Position and load of hammer and carrier during a piece of the timeline, as instrumented carriers measure them."""

from typing import Final, NamedTuple

NAN: Final = float("nan")


class Stance(NamedTuple):
    """Values by channel name. NaN: not simulated."""

    tool_z_m: float = NAN
    swing_deg: float = NAN
    tilt_deg: float = NAN
    boom_stroke: float = NAN
    stick_stroke: float = NAN
    bucket_stroke: float = NAN
    boom_deg: float = NAN
    stick_deg: float = NAN
    bucket_deg: float = NAN
    feed_bar: float = NAN
    side_load_bar: float = NAN
    water_m: float = NAN
    grease_level: float = NAN
    grease_flow: float = NAN


BARE: Final = Stance()
