"""signal_lost: no row for 30 s while the carrier was working.

The carrier works at a row if its engine speed is known to be above idle's threshold there; a feed without engine
speed is taken to work while its rows come at most `steady_s` apart.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detect.detector import Detector, DetectorSettings, Fault, seconds
from strikewatch.detect.kernels import CLEARED, LOW, NEVER, RAISED, STANDING, emit, kernel, sample
from strikewatch.model import instant
from strikewatch.model.channels import CHANNELS


class Settings(DetectorSettings):
    """Nothing heard of a hammer at work."""

    silence_s: float = Field(30.0, gt=0, description="No row for this long is a lost signal, s")
    working_rpm: float = Field(400.0, ge=0, description="The carrier works above this engine speed, rpm")
    steady_s: float = Field(
        10.0, gt=0, description="Without engine speed: it works while rows come this close, s"
    )


STATE: Final = np.dtype(
    [
        ("last_row", "<i8"),
        ("steady", "<i8"),  # the row before was close enough
        ("rpm_until", "<i8"),  # known to turn above the threshold until here
        ("has_engine_rpm", "<i8"),
        ("onset", "<i8"),
    ]
)
PARAMS: Final = np.dtype([("silence", "<i8"), ("working_rpm", "<f8"), ("steady", "<i8")])

_HOLD: Final = CHANNELS["engine_rpm"].hold_ns


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,  # noqa: ARG001 - every kernel is called alike
    state: Any,
    params: Any,
    engine_rpm: Any,
    out: Any,
) -> int:
    n = 0
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        for i in range(span.first - 1, span.last):
            if i >= span.first:
                a = time_ns[i]
                if s.onset != NEVER:
                    n = emit(out, n, g, 0, CLEARED, s.onset, a, LOW, (float(a - s.last_row),))
                    s.onset = NEVER
                s.steady = 1 if a - s.last_row <= p.steady else 0
                s.last_row = a
                v = sample(engine_rpm, i)
                if v == v:
                    s.has_engine_rpm = 1
                    s.rpm_until = a + _HOLD if v > p.working_rpm else a
            b = time_ns[i + 1] if i + 1 < span.last else span.upto
            if b - s.last_row >= p.silence and s.onset == NEVER:
                working = s.rpm_until > s.last_row if s.has_engine_rpm else s.steady == 1
                if working:
                    s.onset = s.last_row + p.silence
                    n = emit(out, n, g, 0, RAISED, s.onset, s.onset, LOW, (float(p.silence),))
        if report and s.onset != NEVER:
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, LOW, (float(span.upto - s.last_row),))
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.silence_s),
        settings.working_rpm,
        instant.seconds(settings.steady_s),
    )


DETECTOR: Final = Detector(
    name="signal_lost",
    version=1,
    faults=(
        Fault(
            "signal_lost",
            "Nothing heard for {silent_s:.0f} s while the carrier was working; nothing was watched meanwhile.",
            {"silent_s": seconds},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("engine_rpm",),
    fresh={"last_row": NEVER, "rpm_until": NEVER, "onset": NEVER},
)
