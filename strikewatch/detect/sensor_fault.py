"""sensor_fault: a channel out of its physical range, giving a not-available code, or frozen.

Not-available and error codes of the usual buses fall outside the ranges of `model.channels`. Frozen: the same value
at every sample through 10 min of firing (pressure and oil only: they have no business standing still at work). One
alert a hammer at a time; it clears when every channel is sound again.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import Detector, DetectorSettings, Fault
from strikewatch.detect.kernels import CLEARED, LOW, NEVER, RAISED, STANDING, emit, kernel, sample
from strikewatch.model import instant
from strikewatch.model.channels import CHANNELS


class Settings(DetectorSettings):
    """A sensor that cannot be believed."""

    frozen_s: float = Field(
        600.0, gt=0, description="No change at all in this much firing is a frozen sensor, s"
    )


STATE: Final = np.dtype(
    [
        ("impossible", "<u4"),  # one bit a channel, in the order of CHANNELS
        ("frozen", "<u4"),
        ("seen_impossible", "<u4"),  # all bits since the onset
        ("seen_frozen", "<u4"),
        ("onset", "<i8"),
        ("pressure", "<f8"),
        ("pressure_until", "<i8"),
        ("pressure_same", "<i8"),  # ns of firing without a change
        ("oil", "<f8"),
        ("oil_until", "<i8"),
        ("oil_same", "<i8"),
    ]
)
PARAMS: Final = np.dtype([("frozen", "<i8")])

_NAMES: Final = tuple(CHANNELS)
_PRESSURE_BIT: Final = 1 << _NAMES.index("pressure_bar")
_OIL_BIT: Final = 1 << _NAMES.index("oil_c")
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns
_HOLD_OIL: Final = CHANNELS["oil_c"].hold_ns


@kernel
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
    n = 0
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        a = span.since
        for i in range(span.first - 1, span.last):
            if i >= span.first:
                a = time_ns[i]
                v = sample(pressure_bar, i)
                if v == v:
                    s.pressure_until = a + _HOLD_PRESSURE
                    if v != s.pressure:
                        s.pressure = v
                        s.pressure_same = 0
                        s.frozen &= ~np.uint32(_PRESSURE_BIT)
                v = sample(oil_c, i)
                if v == v:
                    s.oil_until = a + _HOLD_OIL
                    if v != s.oil:
                        s.oil = v
                        s.oil_same = 0
                        s.frozen &= ~np.uint32(_OIL_BIT)
                if bad.size > 0:
                    s.impossible = (s.impossible | bad[i]) & ~good[i]
                if s.onset != NEVER or s.impossible:
                    n = _note(s, a, out, n, g)
            b = time_ns[i + 1] if i + 1 < span.last else span.upto
            f = min(fire_until[i + 1 + g], b)
            if f > a:
                # The earlier of the two first, so that the onset is the first instant of either.
                pressure_at = NEVER
                oil_at = NEVER
                until = min(f, s.pressure_until)
                if until > a:
                    before = s.pressure_same
                    s.pressure_same = before + (until - a)
                    if before < p.frozen <= s.pressure_same:
                        pressure_at = a + p.frozen - before
                until = min(f, s.oil_until)
                if until > a:
                    before = s.oil_same
                    s.oil_same = before + (until - a)
                    if before < p.frozen <= s.oil_same:
                        oil_at = a + p.frozen - before
                if oil_at != NEVER and (pressure_at == NEVER or oil_at <= pressure_at):
                    s.frozen |= np.uint32(_OIL_BIT)
                    n = _note(s, oil_at, out, n, g)
                    oil_at = NEVER
                if pressure_at != NEVER:
                    s.frozen |= np.uint32(_PRESSURE_BIT)
                    n = _note(s, pressure_at, out, n, g)
                if oil_at != NEVER:
                    s.frozen |= np.uint32(_OIL_BIT)
                    n = _note(s, oil_at, out, n, g)
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
    version=1,
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
