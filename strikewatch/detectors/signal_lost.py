"""signal_lost: no row for 30 s while the carrier was working.

The carrier works at a row if its engine speed is known to be above idle's threshold there; a feed without engine
speed is taken to work while its rows come at most `steady_s` apart.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.detectors import carrier
from strikewatch.detectors.base import Detector, DetectorSettings, seconds
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    newest,
    nothing_yet,
    nth,
    part,
)


class Settings(DetectorSettings):
    """Nothing heard of a hammer at work."""

    silence_s: float = Field(30.0, gt=0, description="No row for this long is a lost signal, s")
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S


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


@part
def _take(s: Any, p: Any, time_ns: Any, engine_rpm: Any, first: int, i: int) -> None:
    """Know what is known at row i, the newest of those from `first` on."""
    before = nth(time_ns, i - 1) if i > first else s.last_row
    s.last_row = nth(time_ns, i)
    s.steady = 1 if carrier.rows_close(before, s.last_row, p.steady) else 0
    k = newest(engine_rpm, first, i)
    if k >= first:
        s.has_engine_rpm = 1
        s.rpm_until = carrier.turns_until(engine_rpm[k], nth(time_ns, k), p.working_rpm)


@part
def _judge(s: Any, p: Any, now: int, out: Any, n: int, g: int) -> int:
    """No row came after the last one until now."""
    if now - s.last_row >= p.silence and s.onset == NEVER:
        working = s.rpm_until > s.last_row if s.has_engine_rpm else s.steady == 1
        if working:
            s.onset = s.last_row + p.silence
            n = emit(out, n, g, 0, RAISED, s.onset, s.onset, LOW, (float(p.silence),))
    return n


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
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        before = s.last_row
        lost = s.onset != NEVER
        for i in range(span.first, span.last):
            a = nth(time_ns, i)
            if a - before >= p.silence or lost:
                if i > span.first:
                    _take(s, p, time_ns, engine_rpm, span.first, i - 1)
                n = _judge(s, p, a, out, n, g)
                if s.onset != NEVER:
                    n = emit(out, n, g, 0, CLEARED, s.onset, a, LOW, (float(a - s.last_row),))
                    s.onset = NEVER
                lost = False
            before = a
        if span.last > span.first:
            _take(s, p, time_ns, engine_rpm, span.first, span.last - 1)
        n = _judge(s, p, span.upto, out, n, g)
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
    horizon=lambda settings: instant.seconds(settings.silence_s),
    fresh={"last_row": NEVER, "rpm_until": NEVER, "onset": NEVER},
)
