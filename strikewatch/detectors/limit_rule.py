"""What the misuse detectors share: firing, or standing, in a condition, gathered into spells.

The condition is a measure of one channel, or of any of three, below `low` or above `high`. An instant counts where it
is known to hold and, if `firing` is asked for, the hammer fires. A spell begins at the first instant that counts and
ends once none has counted for `pause`; its end is then the end of the last that did. So a value that flickers about
its limit makes one spell, in which only what lies beyond counts. The fault's onset is the instant at which as much as
`limit` has counted; with a limit of nothing, the spell's first.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault, Highlight, Trace
from strikewatch.detectors.base import FIRES_ON, FIRING, Detector, DetectorSettings
from strikewatch.detectors.kernels import (
    CLEARED,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    nothing_yet,
    nth,
    part,
    sample,
)

AS_IS: Final = 0
SIZE: Final = 1
"""Without its sign."""
OFF_LINE: Final = 2
"""An angle from a line, which has two ends: 0 to 90 degrees."""

LOWEST: Final = 0
HIGHEST: Final = 1
WHICH: Final = 2
"""Which channels were beyond, one bit each."""

STATE: Final = np.dtype(
    [
        ("open", "<i8"),
        ("counted", "<i8"),  # ns in the spell
        ("last", "<i8"),  # up to where it counted last
        ("onset", "<i8"),
        ("lowest", "<f8"),  # of the measures that counted
        ("highest", "<f8"),
        ("which", "<i8"),
        ("beyond", "<f8", (3,)),  # the measure of each channel that stands beyond,
        ("until", "<i8", (3,)),  # and until when it is known to
    ]
)
PARAMS: Final = np.dtype(
    [
        ("low", "<f8"),
        ("high", "<f8"),
        ("measure", "<i8"),  # AS_IS, SIZE or OFF_LINE
        ("tells", "<i8"),  # LOWEST, HIGHEST or WHICH: the second number of the evidence
        ("hold", "<i8"),
        ("firing", "<i8"),
        ("limit", "<i8"),
        ("pause", "<i8"),
    ]
)


@part
def _measured(v: float, p: Any) -> float:
    if p.measure == SIZE:
        return abs(v)
    if p.measure == OFF_LINE:
        # Of an angle from -360 to 360, as the channel has: folded at each end of the line, without rounding.
        v = abs(v)
        v = 360.0 - v if v > 180.0 else v
        return 180.0 - v if v > 90.0 else v
    return v


@part
def _stands(s: Any) -> int:
    """Until when the condition is known to hold in at least one channel."""
    return max(s.until[0], s.until[1], s.until[2])  # type: ignore[no-any-return]


@part
def _look(s: Any, p: Any, k: int, v: float, a: int) -> None:
    """Take in a value of channel k."""
    if v == v:
        m = _measured(v, p)
        if m < p.low or m > p.high:
            s.beyond[k] = m
            s.until[k] = a + p.hold
        else:
            s.until[k] = NEVER


@part
def _next_beyond(one: Any, two: Any, three: Any, p: Any, i: int, last: int) -> int:
    """The first row from i on with a value beyond; `last` where there is none."""
    while i < last:
        m = _measured(sample(one, i), p)
        if m < p.low or m > p.high:
            return i
        if two.size > 0 or three.size > 0:
            m = _measured(sample(two, i), p)
            if m < p.low or m > p.high:
                return i
            m = _measured(sample(three, i), p)
            if m < p.low or m > p.high:
                return i
        i += 1
    return last


@part
def _evidence(s: Any, p: Any, counted: int) -> Any:
    if p.tells == HIGHEST:
        return float(counted), s.highest, s.lowest
    if p.tells == WHICH:
        return float(counted), float(s.which), s.lowest
    return float(counted), s.lowest, s.highest


@part
def _count(s: Any, p: Any, a: int, stop: int, out: Any, n: int, g: int) -> int:
    """From a up to `stop` it counts."""
    if not s.open:
        s.open = 1
        s.counted = 0
        s.onset = NEVER
        s.lowest = math.inf
        s.highest = -math.inf
        s.which = 0
    for k in range(3):
        if s.until[k] > a:
            s.lowest = min(s.lowest, s.beyond[k])
            s.highest = max(s.highest, s.beyond[k])
            s.which |= 1 << k
    before = s.counted
    s.counted = before + (stop - a)
    s.last = stop
    if s.onset == NEVER and s.counted >= p.limit:
        s.onset = a + p.limit - before
        n = emit(out, n, g, 0, RAISED, s.onset, s.onset, MEDIUM, _evidence(s, p, p.limit))
    return n


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    one: Any,
    two: Any,
    three: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        sampled = one.size > 0 or two.size > 0 or three.size > 0
        a = span.since
        stands = _stands(s)
        i = span.first - 1
        while i < span.last:
            if not s.open and stands <= a:
                i = _next_beyond(one, two, three, p, max(i, span.first), span.last) if sampled else span.last
                if i == span.last:
                    break
            if i >= span.first:
                a = nth(time_ns, i)
                if sampled:
                    _look(s, p, 0, sample(one, i), a)
                    _look(s, p, 1, sample(two, i), a)
                    _look(s, p, 2, sample(three, i), a)
                    stands = _stands(s)
            i += 1
            b = nth(time_ns, i) if i < span.last else span.upto
            stop = min(stands, nth(fire_until, i + g)) if p.firing else stands
            if stop > a:
                n = _count(s, p, a, min(stop, b), out, n, g)
            # A row at b may have it count on; at the watermark itself there is none to come.
            over = s.last < b or (i == span.last and stop <= b)
            if s.open and over and b - s.last >= p.pause:
                if s.onset != NEVER:
                    n = emit(out, n, g, 0, CLEARED, s.onset, s.last, MEDIUM, _evidence(s, p, s.counted))
                s.open = 0
        for k in range(3):
            if s.until[k] <= span.upto:
                # Whichever way led here, the same bytes.
                s.until[k] = NEVER
                s.beyond[k] = 0.0
        if report and s.open and s.onset != NEVER:
            n = emit(out, n, g, 0, STANDING, s.onset, span.upto, MEDIUM, _evidence(s, p, s.counted))
    return n


def _reviewed(
    fault: Fault,
    channels: tuple[str, ...],
    limits: Callable[[Any], tuple[float, float]],
    measure: int,
    firing: bool,
    title: str,
) -> Fault:
    """Complete a fault by what the review needs: its duration, and its channels against their limits."""
    duration = next(iter(fault.evidence))
    longest = "the longest: {value:.1f} s of firing" if firing else "the longest: {value:.0f} s"
    return fault._replace(
        duration=duration,
        duration_over="firing" if firing else "operating",
        highlights=(*fault.highlights, Highlight(duration, longest)),
        trace=Trace(
            title or ", ".join(name.replace("_", " ") for name in channels),
            channels,
            lambda own: tuple(limit for limit in limits(own) if math.isfinite(limit)),
            _TRANSFORMS[measure],
        ),
    )


def _off_line(angle_deg: Any) -> Any:
    return np.abs((angle_deg + 90.0) % 180.0 - 90.0)


_TRANSFORMS: Final[Mapping[int, Callable[[Any], Any]]] = {
    AS_IS: lambda values: values,
    SIZE: np.abs,
    OFF_LINE: _off_line,
}
"""As `_measured`, of an array."""


def spells(
    fault: Fault,
    settings: type[DetectorSettings],
    channels: tuple[str, ...],
    limits: Callable[[Any], tuple[float, float]],
    *,
    measure: int = AS_IS,
    tells: int = HIGHEST,
    firing: bool = True,
    title: str = "",
) -> Detector:
    """A detector of spells beyond `limits` (low, high) of up to three channels with one hold time.

    Its settings have `limit_s` and `pause_s`. The fault's evidence: ns counted, then what `tells` says, and for LOWEST
    the highest. `title`: of the channels' trace in the review's pictures; left out: their names.
    """
    (hold,) = {CHANNELS[name].hold_ns for name in channels}

    def params(own: Any) -> tuple[Any, ...]:
        limit, pause = instant.seconds(own.limit_s), instant.seconds(own.pause_s)
        return (*limits(own), measure, tells, hold, firing, limit, pause)

    def horizon(own: Any) -> int:
        return (min(hold, FIRES_ON) if firing else hold) + instant.seconds(own.pause_s) + 1

    return Detector(
        name=fault.name,
        version=1,
        faults=(_reviewed(fault, channels, limits, measure, firing, title),),
        settings=settings,
        state=STATE,
        params_dtype=PARAMS,
        params=params,
        run=run,
        reads=(*channels, "nothing", "nothing")[:3],
        fresh={"last": NEVER, "onset": NEVER, "until": NEVER},
        needs=(*((FIRING,) if firing else ()), channels),
        horizon=horizon,
    )
