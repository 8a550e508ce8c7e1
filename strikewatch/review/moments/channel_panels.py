"""Chart panels for misuse faults: the channel that each fault depends on, with its limits."""

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.minute import Panel


def series(rows: Rows, name: str) -> tuple[Ints, Floats]:
    """Return a channel's values within its physical range with their instants, both [n]."""
    values, channel = rows.columns.get(name), CHANNELS[name]
    if values is None:
        return np.empty(0, np.int64), np.empty(0)
    known = (values >= channel.low) & (values <= channel.high)
    return rows.time_ns[known], values[known]


def panel(fault: str, rows: Rows, settings: HammerSettings) -> Panel | None:
    """Return the panel of a fault; None for faults that the chart always shows."""
    if fault not in _SHOWN:
        return None
    name, channels, limits, turned = _SHOWN[fault]
    found = [(at, turned(values)) for at, values in (series(rows, channel) for channel in channels)]
    held = [limit for limit in limits(settings[fault]) if limit is not None]
    return Panel(name, found, held, CHANNELS[channels[0]].hold_ns / SECOND)


_Limits = Callable[[Any], tuple[float | None, ...]]


def _plain(values: Floats) -> Floats:
    return values


def _off_line(swing_deg: Floats) -> Floats:
    return np.abs((swing_deg + 90.0) % 180.0 - 90.0)


_SHOWN: Final[Mapping[str, tuple[str, tuple[str, ...], _Limits, Callable[[Floats], Floats]]]] = {
    "low_engine_speed": (
        "Engine speed, rpm",
        ("engine_rpm",),
        lambda own: (own.rated_rpm and own.least_share * own.rated_rpm,),
        _plain,
    ),
    "end_of_stroke": (
        "Boom, stick and bucket, share of the stroke",
        ("boom_stroke", "stick_stroke", "bucket_stroke"),
        lambda own: (own.margin, 1.0 - own.margin),
        _plain,
    ),
    "over_side": ("From the line of the tracks, °", ("swing_deg",), lambda own: (own.limit_deg,), _off_line),
    "off_square": ("Off square, °", ("tilt_deg",), lambda own: (own.limit_deg,), np.abs),
    "feed_force": ("Feed, bar", ("feed_bar",), lambda own: (own.low_bar, own.high_bar), _plain),
    "prying": ("Side load, bar", ("side_load_bar",), lambda own: (own.limit_bar,), _plain),
    "submerged": ("Water above the lower bushing, m", ("water_m",), lambda _: (0.0,), _plain),
}
