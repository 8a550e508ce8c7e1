"""The rule for a value beyond a limit, while the hammer fires or at any time; the faults are in `limits`.

The measure of one channel, or of any of three, must be below `low` or above `high`. An instant counts where this is
known and, for a rule that asks for firing, where the hammer fires. A spell begins at the first instant that counts. It
ends once none has counted for `pause_s`, at the end of the last that did. So a value that flickers about its limit
makes one spell, in which only the time beyond the limit counts.

Onset: the instant at which the counted time reaches `limit_s`; with 0 s, the first of the spell. Cleared: the spell's
end.
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
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, interval, value_at

SIGNED: Final = 0
ABSOLUTE: Final = 1
FROM_LINE: Final = 2
"""How a value is measured: as it is, without its sign, or as an angle from a line, which has two ends (0 to 90
degrees)."""

LOWEST: Final = 0
HIGHEST: Final = 1
CHANNELS_BEYOND: Final = 2
"""The second number of the evidence: the lowest or the highest measure, or the channels beyond as one bit each."""

STATE: Final = np.dtype(
    [
        ("open", "<i8"),  # a spell has begun and not ended
        ("counted", "<i8"),  # ns counted in the spell
        ("last", "<i8"),  # end of the last interval that counted
        ("onset", "<i8"),
        ("lowest", "<f8"),  # of the measures that counted
        ("highest", "<f8"),
        ("channels", "<i8"),  # channels that were beyond, one bit each
        ("measure", "<f8", (3,)),  # by channel, the measure that is beyond
        ("until", "<i8", (3,)),  # by channel, how long it is known to be beyond; NEVER: it is not
    ]
)
PARAMS: Final = np.dtype(
    [
        ("low", "<f8"),
        ("high", "<f8"),
        ("measure", "<i8"),  # SIGNED, ABSOLUTE or FROM_LINE
        ("reports", "<i8"),  # LOWEST, HIGHEST or CHANNELS_BEYOND
        ("hold", "<i8"),
        ("only_firing", "<i8"),
        ("limit", "<i8"),
        ("pause", "<i8"),
    ]
)


@part
def _measure(value: float, params: Any) -> float:
    if params.measure == ABSOLUTE:
        return abs(value)
    if params.measure == FROM_LINE:
        # The channel's range is -360 to 360 degrees: folded at each end of the line, without rounding.
        value = abs(value)
        value = 360.0 - value if value > 180.0 else value
        return 180.0 - value if value > 90.0 else value
    return value


@part
def _is_beyond(value: float, params: Any) -> bool:
    measure = _measure(value, params)
    return measure < params.low or measure > params.high  # type: ignore[no-any-return]


@part
def _beyond_until(state: Any) -> int:
    """Return how long at least one channel is known to be beyond."""
    return max(state.until[0], state.until[1], state.until[2])  # type: ignore[no-any-return]


@part
def _take_sample(state: Any, params: Any, k: int, value: float, now: int) -> None:
    """Take the value of channel k, if it was sampled."""
    if value == value:
        if _is_beyond(value, params):
            state.measure[k] = _measure(value, params)
            state.until[k] = now + params.hold
        else:
            state.until[k] = NEVER


@part
def _evidence(state: Any, params: Any, counted: int) -> Any:
    if params.reports == HIGHEST:
        return float(counted), state.highest, state.lowest
    if params.reports == CHANNELS_BEYOND:
        return float(counted), float(state.channels), state.lowest
    return float(counted), state.lowest, state.highest


@part
def _count(state: Any, params: Any, start: int, stop: int, out: Any) -> None:
    """Count the time from `start` to `stop`."""
    if not state.open:
        state.open = 1
        state.counted = 0
        state.onset = NEVER
        state.lowest = math.inf
        state.highest = -math.inf
        state.channels = 0
    for k in range(3):
        if state.until[k] > start:
            state.lowest = min(state.lowest, state.measure[k])
            state.highest = max(state.highest, state.measure[k])
            state.channels |= 1 << k
    before = state.counted
    state.counted = before + (stop - start)
    state.last = stop
    if state.onset == NEVER and state.counted >= params.limit:
        onset = start + params.limit - before
        state.onset = emit(out, 0, RAISED, onset, onset, MEDIUM, _evidence(state, params, params.limit))


@part
def _may_be_beyond(column: Any, params: Any) -> bool:
    """Tell whether a value of the tile may be beyond; without the sign, only as far as the extremes show it."""
    if column.n == 0:
        return False
    lowest, highest = column.lowest, column.highest
    if params.measure != SIGNED:
        largest = max(abs(lowest), abs(highest))
        if params.measure == FROM_LINE and largest > 90.0:
            return True
        lowest, highest = 0.0, largest
    return lowest < params.low or highest > params.high  # type: ignore[no-any-return]


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, first: Any, second: Any, third: Any) -> bool:  # noqa: ARG001
    """Tell whether no spell is open, and no value is known to be beyond or becomes so."""
    return not (
        state.open
        or _beyond_until(state) != NEVER
        or _may_be_beyond(first, params)
        or _may_be_beyond(second, params)
        or _may_be_beyond(third, params)
    )


@part
def run(tile: Any, state: Any, params: Any, rows: Any, first: Any, second: Any, third: Any, out: Any) -> None:
    firing_ends = firing_by_row(tile, rows)
    for i in range(tile.first - 1, tile.last):
        start, end = interval(tile, rows, i)
        _take_sample(state, params, 0, value_at(tile, first, i), start)
        _take_sample(state, params, 1, value_at(tile, second, i), start)
        _take_sample(state, params, 2, value_at(tile, third, i), start)
        counts_until = _beyond_until(state)
        if params.only_firing:
            counts_until = min(counts_until, unchecked(firing_ends, i + 1))
        if counts_until > start:
            _count(state, params, start, min(counts_until, end), out)
        # The row at `end` may go on counting; after the watermark itself no row is left to.
        over = state.last < end or (i + 1 == tile.last and counts_until <= end)
        if state.open and over and end - state.last >= params.pause:
            emit(out, 0, CLEARED, state.onset, state.last, MEDIUM, _evidence(state, params, state.counted))
            state.open = 0
    for k in range(3):
        if state.until[k] <= tile.upto:
            # The same bytes however the stream was cut.
            state.until[k] = NEVER
            state.measure[k] = 0.0
    if tile.report and state.open:
        emit(out, 0, STANDING, state.onset, tile.upto, MEDIUM, _evidence(state, params, state.counted))


_TRANSFORMS: Final[Mapping[int, Callable[[Any], Any]]] = {
    SIGNED: lambda values: values,
    ABSOLUTE: np.abs,
    FROM_LINE: lambda angle_deg: np.abs((angle_deg + 90.0) % 180.0 - 90.0),
}
"""`_measure` for an array."""


def limit_rule(
    fault: Fault,
    settings: type[DetectorSettings],
    channels: tuple[str, ...],
    *,
    measure: int = SIGNED,
    reports: int = HIGHEST,
    only_firing: bool = True,
    title: str = "",
) -> Detector:
    """Make the detector of a value beyond a limit.

    Args:
        fault: its evidence is the time counted, then what `reports` says, and for LOWEST also the highest.
        settings: have `limit_s`, `pause_s` and a method `limits`, which returns (low, high).
        channels: up to three, with one hold time.
        only_firing: whether time counts only while the hammer fires.
        title: of the channels in the review's pictures; by default their names.
    """
    (hold,) = {CHANNELS[name].hold_ns for name in channels}
    duration = next(iter(fault.evidence))
    longest = "the longest: {value:.1f} s of firing" if only_firing else "the longest: {value:.0f} s"

    def params(own: Any) -> tuple[Any, ...]:
        limit, pause = instant.seconds(own.limit_s), instant.seconds(own.pause_s)
        return (*own.limits(), measure, reports, hold, only_firing, limit, pause)

    def horizon(own: Any) -> int:
        return (min(hold, FIRES_ON) if only_firing else hold) + instant.seconds(own.pause_s) + 1

    complete = fault._replace(
        duration=duration,
        duration_over="firing" if only_firing else "operating",
        highlights=(*fault.highlights, Highlight(duration, longest)),
        trace=Trace(
            title or ", ".join(name.replace("_", " ") for name in channels),
            channels,
            lambda own: tuple(limit for limit in own.limits() if math.isfinite(limit)),
            _TRANSFORMS[measure],
        ),
    )
    return Detector(
        name=fault.name,
        version=1,
        faults=(complete,),
        settings=settings,
        state=STATE,
        params_dtype=PARAMS,
        params=params,
        run=run,
        quiet=quiet,
        reads=(*channels, "nothing", "nothing")[:3],
        fresh={"last": NEVER, "onset": NEVER, "until": NEVER},
        needs=(*((FIRING,) if only_firing else ()), channels),
        horizon=horizon,
    )
