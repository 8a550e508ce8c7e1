"""When the hammer fires, and which values are physically possible.

`active` is held for 2 s. A feed that never had an `active` channel fires by its pressure, with a deadband: each
pressure sample then says on or off, and is held like any pressure.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core.batch import Floats
from strikewatch.core.channels import CHANNELS, Channel
from strikewatch.detectors.base import DetectorSettings
from strikewatch.detectors.kernels import NEVER, SPAN, compile_kernel, kernel, read_only, sample, unchecked


class Settings(DetectorSettings):
    """Firing derived from pressure, for feeds without an `active` channel."""

    rising = ("off_bar", "on_bar")

    on_bar: float = Field(80.0, description="Firing from this pressure up, bar")
    off_bar: float = Field(60.0, description="No longer firing below this pressure, bar")


STATE: Final = np.dtype(
    [
        ("upto", "<i8"),  # watermark
        ("until", "<i8"),  # how long it is known to fire
        ("on", "<i8"),  # last on/off of the feed, or by the deadband
        ("has_active", "<i8"),
        ("fired", "<i8"),  # ns of firing in all bouts that have ended
        ("began", "<i8"),  # start of the bout under way; NEVER if there is none
    ]
)
FRESH: Final = {"upto": NEVER, "until": NEVER, "began": NEVER}
PARAMS: Final = np.dtype([("on_bar", "<f8"), ("off_bar", "<f8")])

_HOLD_ACTIVE: Final = CHANNELS["active"].hold_ns
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns


def compile_firing() -> None:
    """Compile `derive_firing`, or load it from the cache."""
    state = np.empty(2, [("one", STATE), ("other", "<i8")])["one"]
    times, values = read_only(np.empty(0, np.int64)), read_only(np.empty(0))
    firing_ends = np.empty(0, np.int64)
    compile_kernel(
        derive_firing, np.empty(0, SPAN), times, state, np.empty(0, PARAMS), values, values, firing_ends
    )


def fired_ns(record: Any) -> int:
    """Return the total firing time of a hammer up to its watermark, ns."""
    lasted = min(record["until"], record["upto"]) - record["began"] if record["began"] != NEVER else 0
    return int(record["fired"] + lasted)


@kernel
def derive_firing(
    spans: Any, time_ns: Any, states: Any, all_params: Any, active: Any, pressure_bar: Any, firing_ends: Any
) -> None:
    """Fill `firing_ends` [rows + groups] for every interval (see `kernels`), and advance the watermark."""
    for group in range(len(spans)):
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        until = state.until
        on = state.on
        has_active = state.has_active
        began = state.began
        firing_ends[np.uintp(span.first + group)] = until
        for i in range(span.first, span.last):
            now = unchecked(time_ns, i)
            if until < now and began != NEVER:
                state.fired += until - began
                began = NEVER
            value = sample(active, i)
            if value == value:
                has_active = 1
                on = 1 if value >= 0.5 else 0
                until = now + _HOLD_ACTIVE if on else now
            elif not has_active:
                pressure = sample(pressure_bar, i)
                if pressure == pressure:
                    if pressure >= params.on_bar:
                        on = 1
                    elif pressure < params.off_bar:
                        on = 0
                    until = now + _HOLD_PRESSURE if on else now
            if until > now:
                if began == NEVER:
                    began = now
            elif began != NEVER:
                state.fired += now - began
                began = NEVER
            firing_ends[np.uintp(i + 1 + group)] = until
        state.until = until
        state.on = on
        state.has_active = has_active
        state.began = began
        state.upto = span.upto


@kernel
def _count_outside(column: Any, low: float, high: float) -> int:
    count = 0
    for i in range(len(column)):
        if column[i] < low or column[i] > high:
            count += 1
    return count


@kernel
def _count_between(column: Any, low: float, high: float) -> int:
    count = 0
    for i in range(len(column)):
        if column[i] > low and column[i] < high:
            count += 1
    return count


def impossible(column: Floats, channel: Channel) -> Any:
    """Return which values lie outside the channel's physical range [n] bool; None if all are possible.

    A boolean channel allows 0 and 1 only.
    """
    low, high = channel.low, channel.high
    n = _count_outside(column, low, high)
    if channel.boolean:
        n += _count_between(column, low, high)
    if not n:
        return None
    return (column < low) | (column > high) | (channel.boolean & (column > low) & (column < high))
