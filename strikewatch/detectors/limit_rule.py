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
    GROUP,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    kernel,
    new_output,
    part,
    sample,
    unchecked,
    written,
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
def _measured(value: float, params: Any) -> float:
    if params.measure == SIZE:
        return abs(value)
    if params.measure == OFF_LINE:
        # Of an angle from -360 to 360, as the channel has: folded at each end of the line, without rounding.
        value = abs(value)
        value = 360.0 - value if value > 180.0 else value
        return 180.0 - value if value > 90.0 else value
    return value


@part
def _stands(state: Any) -> int:
    """Until when the condition is known to hold in at least one channel."""
    return max(state.until[0], state.until[1], state.until[2])  # type: ignore[no-any-return]


@part
def _look(state: Any, params: Any, k: int, value: float, start: int) -> None:
    """Take in a value of channel k."""
    if value == value:
        measured = _measured(value, params)
        if measured < params.low or measured > params.high:
            state.beyond[k] = measured
            state.until[k] = start + params.hold
        else:
            state.until[k] = NEVER


@part
def _next_beyond(one: Any, two: Any, three: Any, params: Any, i: int, last: int) -> int:
    """The first row from i on with a value beyond; `last` where there is none."""
    while i < last:
        measured = _measured(sample(one, i), params)
        if measured < params.low or measured > params.high:
            return i
        if two.size > 0 or three.size > 0:
            measured = _measured(sample(two, i), params)
            if measured < params.low or measured > params.high:
                return i
            measured = _measured(sample(three, i), params)
            if measured < params.low or measured > params.high:
                return i
        i += 1
    return last


@part
def _evidence(state: Any, params: Any, counted: int) -> Any:
    if params.tells == HIGHEST:
        return float(counted), state.highest, state.lowest
    if params.tells == WHICH:
        return float(counted), float(state.which), state.lowest
    return float(counted), state.lowest, state.highest


@part
def _count(state: Any, params: Any, start: int, stop: int, out: Any) -> None:
    """From a up to `stop` it counts."""
    if not state.open:
        state.open = 1
        state.counted = 0
        state.onset = NEVER
        state.lowest = math.inf
        state.highest = -math.inf
        state.which = 0
    for k in range(3):
        if state.until[k] > start:
            state.lowest = min(state.lowest, state.beyond[k])
            state.highest = max(state.highest, state.beyond[k])
            state.which |= 1 << k
    before = state.counted
    state.counted = before + (stop - start)
    state.last = stop
    if state.onset == NEVER and state.counted >= params.limit:
        onset = start + params.limit - before
        state.onset = emit(out, 0, RAISED, onset, onset, MEDIUM, _evidence(state, params, params.limit))


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    firing_ends: Any,
    states: Any,
    all_params: Any,
    one: Any,
    two: Any,
    three: Any,
    findings: Any,
) -> int:
    out = new_output(findings)
    for group in range(len(spans)):
        out.cursor[GROUP] = group
        span = spans[group]
        state = states[group]
        params = all_params[span.slot]
        sampled = one.size > 0 or two.size > 0 or three.size > 0
        start = span.since
        stands = _stands(state)
        i = span.first - 1
        while i < span.last:
            if not state.open and stands <= start:
                i = (
                    _next_beyond(one, two, three, params, max(i, span.first), span.last)
                    if sampled
                    else span.last
                )
                if i == span.last:
                    break
            if i >= span.first:
                start = unchecked(time_ns, i)
                if sampled:
                    _look(state, params, 0, sample(one, i), start)
                    _look(state, params, 1, sample(two, i), start)
                    _look(state, params, 2, sample(three, i), start)
                    stands = _stands(state)
            i += 1
            end = unchecked(time_ns, i) if i < span.last else span.upto
            stop = min(stands, unchecked(firing_ends, i + group)) if params.firing else stands
            if stop > start:
                _count(state, params, start, min(stop, end), out)
            # A row at b may have it count on; at the watermark itself there is none to come.
            over = state.last < end or (i == span.last and stop <= end)
            if state.open and over and end - state.last >= params.pause:
                if state.onset != NEVER:
                    emit(
                        out,
                        0,
                        CLEARED,
                        state.onset,
                        state.last,
                        MEDIUM,
                        _evidence(state, params, state.counted),
                    )
                state.open = 0
        for k in range(3):
            if state.until[k] <= span.upto:
                # Whichever way led here, the same bytes.
                state.until[k] = NEVER
                state.beyond[k] = 0.0
        if report and state.open and state.onset != NEVER:
            emit(out, 0, STANDING, state.onset, span.upto, MEDIUM, _evidence(state, params, state.counted))
    return written(out)


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
