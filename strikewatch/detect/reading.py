"""Reading the rows: what is physically possible, and when the hammer fires.

`active` holds 2 s; a feed that never had an `active` channel fires by its pressure, with hysteresis: each pressure
sample then says on or off, and holds as pressure does.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import DetectorSettings
from strikewatch.detect.kernels import NEVER, kernel, sample
from strikewatch.model.batch import Floats
from strikewatch.model.channels import CHANNELS, Channel


class Settings(DetectorSettings):
    """Firing derived from pressure, for feeds without an `active` channel."""

    on_bar: float = Field(80.0, description="Firing from this pressure up, bar")
    off_bar: float = Field(60.0, description="No longer firing below this pressure, bar")


STATE: Final = np.dtype(
    [
        ("upto", "<i8"),  # watermark: worked through up to here
        ("until", "<i8"),  # what is known to fire does so until here
        ("on", "<i8"),  # the last on/off that the feed, or the hysteresis, gave
        ("has_active", "<i8"),
        ("fired", "<i8"),  # ns of firing in all
    ]
)
FRESH: Final = {"upto": NEVER, "until": NEVER}
PARAMS: Final = np.dtype([("on_bar", "<f8"), ("off_bar", "<f8")])

_HOLD_ACTIVE: Final = CHANNELS["active"].hold_ns
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns


@kernel
def firing(
    spans: Any, time_ns: Any, state: Any, params: Any, active: Any, pressure_bar: Any, fire_until: Any
) -> None:
    """Fill `fire_until` [rows + groups] for every stretch (see `kernels`), and carry the watermark on."""
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        until = s.until
        on = s.on
        has_active = s.has_active
        fired = s.fired
        a = span.since
        for i in range(span.first - 1, span.last):
            if i >= span.first:
                a = time_ns[i]
                v = sample(active, i)
                if v == v:
                    has_active = 1
                    on = 1 if v >= 0.5 else 0
                    until = a + _HOLD_ACTIVE if on else a
                elif not has_active:
                    q = sample(pressure_bar, i)
                    if q == q:
                        if q >= p.on_bar:
                            on = 1
                        elif q < p.off_bar:
                            on = 0
                        until = a + _HOLD_PRESSURE if on else a
            fire_until[i + 1 + g] = until
            if until > a:
                b = time_ns[i + 1] if i + 1 < span.last else span.upto
                fired += min(until, b) - a
        s.until = until
        s.on = on
        s.has_active = has_active
        s.fired = fired
        s.upto = span.upto


@kernel
def _count_impossible(column: Any, low: float, high: float, boolean: bool) -> int:
    n = 0
    for v in column:
        n += (v < low) | (v > high) | (boolean & (v > low) & (v < high))
    return n


def impossible(column: Floats, channel: Channel) -> Any:
    """Which values lie outside the channel's physical range [n] bool, or None where all are possible.

    A boolean channel allows 0 and 1 only.
    """
    low, high = channel.low, channel.high
    if not _count_impossible(column, low, high, channel.boolean):
        return None
    return (column < low) | (column > high) | (channel.boolean & (column > low) & (column < high))
