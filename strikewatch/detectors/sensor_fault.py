"""sensor_fault: a channel out of its physical range, giving a not-available code, or frozen.

Not-available and error codes of the usual buses fall outside the ranges of `core.channels`. Frozen: the same value
at every sample through 10 min of firing (pressure and oil only: they have no business standing still at work). One
alert a hammer at a time; it clears when every channel is sound again.
"""

import math
from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import Detector, DetectorSettings, Older
from strikewatch.detectors.kernels import (
    CHANNEL_BITS,
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_at,
    kernel,
    nothing_yet,
    nth,
    part,
    sample,
)


class Settings(DetectorSettings):
    """A sensor that cannot be believed."""

    frozen_s: float = Field(
        600.0, gt=0, description="No change at all in this much firing is a frozen sensor, s"
    )


def _layout(bits: str) -> np.dtype[Any]:
    return np.dtype(
        [
            ("impossible", bits),  # one bit a channel, in the order of CHANNELS
            ("frozen", bits),
            ("seen_impossible", bits),  # all bits since the onset
            ("seen_frozen", bits),
            ("onset", "<i8"),
            ("pressure", "<f8"),
            ("pressure_until", "<i8"),
            ("pressure_same", "<i8"),  # ns of firing without a change
            ("oil", "<f8"),
            ("oil_until", "<i8"),
            ("oil_same", "<i8"),
        ]
    )


STATE: Final = _layout("<u8")
FIRST: Final = _layout("<u4")
"""Version 1, which had room for 32 channels."""
PARAMS: Final = np.dtype([("frozen", "<i8")])

_NAMES: Final = tuple(CHANNELS)
_PRESSURE_BIT: Final = 1 << _NAMES.index("pressure_bar")
_OIL_BIT: Final = 1 << _NAMES.index("oil_c")
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns
_HOLD_OIL: Final = CHANNELS["oil_c"].hold_ns


@part
def _note(s: Any, at: int, out: Any, n: int, g: int) -> int:
    """Bring onset and clearing in line with what is wrong at this instant."""
    if s.impossible or s.frozen:
        new = s.onset == NEVER
        if new:
            s.onset = at
            s.seen_impossible = 0
            s.seen_frozen = 0
        s.seen_impossible |= s.impossible
        s.seen_frozen |= s.frozen
        if new:
            n = emit(out, n, g, 0, RAISED, at, at, LOW, (float(s.seen_impossible), float(s.seen_frozen)))
    elif s.onset != NEVER:
        n = emit(out, n, g, 0, CLEARED, s.onset, at, LOW, (float(s.seen_impossible), float(s.seen_frozen)))
        s.onset = NEVER
    return n


@part
def _newest_change(column: Any, first: int, last: int) -> int:
    """The newest row of first..last-1 whose value differs from the one before it among these; `first` if none does.

    Where the channel is not there, nothing is missed by going to the end.
    """
    if column.size == 0:
        return last - 1
    i = last
    newer = math.nan
    newer_at = first
    while i > first:
        i -= 1
        v = nth(column, i)
        if v == v:
            if newer == newer and v != newer:
                return newer_at
            newer = v
            newer_at = i
    return first


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    pressure_bar: Any,
    oil_c: Any,
    bad: Any,
    good: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        sound = bad.size == 0 and s.impossible == 0
        troubled = s.onset != NEVER
        pressure = s.pressure
        pressure_until = s.pressure_until
        pressure_same = s.pressure_same
        oil = s.oil
        oil_until = s.oil_until
        oil_same = s.oil_same
        a = span.since
        i = span.first - 1
        seen = span.first
        while i < span.last:
            if i >= seen and sound and not troubled:
                # Within this time nothing can freeze, so that of each channel only the newest change counts.
                beyond = nth(time_ns, i) + p.frozen - max(pressure_same, oil_same)
                seen = first_at(time_ns, seen, span.last, beyond)
                newest = min(_newest_change(pressure_bar, i, seen), _newest_change(oil_c, i, seen))
                if newest > i:
                    i = newest
                    pressure = oil = math.nan
            if i >= span.first:
                a = nth(time_ns, i)
                v = sample(pressure_bar, i)
                if v == v:
                    pressure_until = a + _HOLD_PRESSURE
                    if v != pressure:
                        pressure = v
                        pressure_same = 0
                        if troubled:
                            s.frozen &= ~CHANNEL_BITS(_PRESSURE_BIT)
                v = sample(oil_c, i)
                if v == v:
                    oil_until = a + _HOLD_OIL
                    if v != oil:
                        oil = v
                        oil_same = 0
                        if troubled:
                            s.frozen &= ~CHANNEL_BITS(_OIL_BIT)
                if not sound:
                    s.impossible = (s.impossible | bad[i]) & ~good[i]
                    troubled = troubled or s.impossible != 0
                if troubled:
                    n = _note(s, a, out, n, g)
                    troubled = s.onset != NEVER
            i += 1
            f = nth(fire_until, i + g)
            if f <= a:
                continue
            f = min(f, nth(time_ns, i) if i < span.last else span.upto)
            pressure_was = pressure_same
            pressure_same += max(0, min(f, pressure_until) - a)
            oil_was = oil_same
            oil_same += max(0, min(f, oil_until) - a)
            pressure_froze = pressure_was < p.frozen <= pressure_same
            oil_froze = oil_was < p.frozen <= oil_same
            if pressure_froze or oil_froze:
                troubled = True
                # The earlier of the two first, so that the onset is the first instant of either.
                pressure_at = a + p.frozen - pressure_was
                oil_at = a + p.frozen - oil_was
                if oil_froze and not (pressure_froze and pressure_at < oil_at):
                    s.frozen |= CHANNEL_BITS(_OIL_BIT)
                    n = _note(s, oil_at, out, n, g)
                if pressure_froze:
                    s.frozen |= CHANNEL_BITS(_PRESSURE_BIT)
                    n = _note(s, pressure_at, out, n, g)
                if oil_froze:
                    s.frozen |= CHANNEL_BITS(_OIL_BIT)
                    n = _note(s, oil_at, out, n, g)
        s.pressure = pressure
        s.pressure_until = pressure_until
        s.pressure_same = pressure_same
        s.oil = oil
        s.oil_until = oil_until
        s.oil_same = oil_same
        if report and s.onset != NEVER:
            n = emit(
                out,
                n,
                g,
                0,
                STANDING,
                s.onset,
                span.upto,
                LOW,
                (float(s.seen_impossible), float(s.seen_frozen)),
            )
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (instant.seconds(settings.frozen_s),)


def _channels(bits: float) -> str:
    return " ".join(name for k, name in enumerate(_NAMES) if int(bits) >> k & 1) or "none"


DETECTOR: Final = Detector(
    name="sensor_fault",
    version=2,
    older={1: Older(FIRST, lambda record: {name: record[name] for name in FIRST.names or ()})},
    faults=(
        Fault(
            "sensor_fault",
            "A sensor cannot be believed: out of range {out_of_range}; frozen {frozen}.",
            {"out_of_range": _channels, "frozen": _channels},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("pressure_bar", "oil_c", "bad", "good"),
    fresh={"onset": NEVER, "pressure": np.nan, "oil": np.nan, "pressure_until": NEVER, "oil_until": NEVER},
)
