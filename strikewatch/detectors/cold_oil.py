"""cold_oil: 10 s of firing while the oil is below its lowest working temperature.

The limit belongs to the hammer's handbook; 20 degC is a placeholder of common practice, no published source. Firing
time counts while the oil is known to be cold; the first value at or above the limit ends the spell.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, seconds, tenth
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_below,
    kernel,
    nothing_yet,
    nth,
    sample,
)


class Settings(DetectorSettings):
    """Firing with cold oil."""

    cold_limit_c: float = Field(20.0, description="Oil below this is cold, degC; from the hammer's handbook")
    firing_s: float = Field(10.0, gt=0, description="Firing time with cold oil that is a fault, s")


STATE: Final = np.dtype(
    [
        ("cold", "<i8"),
        ("oil_until", "<i8"),
        ("fired", "<i8"),  # ns of firing while cold
        ("onset", "<i8"),
        ("lowest", "<f8"),
    ]
)
PARAMS: Final = np.dtype([("limit", "<f8"), ("firing", "<i8")])

_HOLD: Final = CHANNELS["oil_c"].hold_ns


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    oil_c: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        i = span.first - 1
        while i < span.last:
            if not s.cold:
                i = first_below(oil_c, max(i, span.first), span.last, p.limit)
                if i == span.last:
                    break
            a = span.since
            if i >= span.first:
                a = nth(time_ns, i)
                v = sample(oil_c, i)
                if v == v:
                    s.oil_until = a + _HOLD
                    if v >= p.limit:
                        if s.onset != NEVER:
                            n = emit(out, n, g, 0, CLEARED, s.onset, a, LOW, (float(s.fired), s.lowest))
                        s.cold = 0
                        s.onset = NEVER
                    elif not s.cold:
                        s.cold = 1
                        s.fired = 0
                        s.lowest = v
                    elif v < s.lowest:
                        s.lowest = v
            i += 1
            if s.cold:
                b = nth(time_ns, i) if i < span.last else span.upto
                f = min(nth(fire_until, i + g), s.oil_until, b)
                if f > a:
                    before = s.fired
                    s.fired = before + (f - a)
                    if s.onset == NEVER and s.fired >= p.firing:
                        s.onset = a + p.firing - before
                        n = emit(out, n, g, 0, RAISED, s.onset, s.onset, LOW, (float(p.firing), s.lowest))
        if report and s.onset != NEVER:
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, LOW, (float(s.fired), s.lowest))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (settings.cold_limit_c, instant.seconds(settings.firing_s))


DETECTOR: Final = Detector(
    name="cold_oil",
    version=1,
    faults=(
        Fault(
            "cold_oil",
            "Fired {firing_cold_s:.0f} s with the oil down to {lowest_oil_c:.1f} °C; warm it up first.",
            {"firing_cold_s": seconds, "lowest_oil_c": tenth},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("oil_c",),
    fresh={"oil_until": NEVER, "onset": NEVER},
    needs=(FIRING, ("oil_c",)),
)
