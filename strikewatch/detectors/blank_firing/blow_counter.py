"""Blows in a fast pressure feed: when each falls, their rate, and how wide the pulse is.

A blow is a rising passage through a band midway between recent crests and troughs, at most one within a dead time, so
that a small rebound does not count. The time from passage to passage is one period whatever the shape of the pulse, so
no fraction or multiple of the rate can be mistaken for it, unlike the highest peak of an autocorrelation. Where the
periods do not agree nothing is periodic, and there is no rate.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

FASTEST: Final = 0.02
"""Dead time, s: no breaker strikes 50 times a second (300 to 1500 blows/min, 5 to 25 Hz; common practice)."""
SLOWEST: Final = 0.4
"""A silence this long ends a train of blows, s."""
PER_BLOW: Final = 8.0
"""Samples per blow that a rate needs."""
TRAIN: Final = 6
"""Periods that must agree."""
AGREE: Final = 0.12
"""They agree if their mean absolute deviation is below this share of the period."""
FILLING: Final = 0.25
"""No blow falls earlier after the start than this, s: the line has to fill."""
STRAY: Final = 0.3
"""A period that differs by more, as a share of it, is from a blow found too early or too late: it is not averaged."""
BAND: Final = 0.15
"""Half the width of the band, as a share of the distance from trough to crest: a rebound a third as high as the blow
does not reach it."""

STATE: Final = np.dtype(
    [
        ("last", "<i8"),  # the previous row
        ("smooth", "<f8"),  # pressure, smoothed over a small part of a period
        ("crest", "<f8"),  # recent
        ("trough", "<f8"),
        ("rows", "<i8"),
        ("gains_for", "<i8"),  # gap between rows, ns, for which the next two are valid; 0: for none
        ("smoothing", "<f8"),
        ("fading", "<f8"),
        ("above", "<i8"),  # whether the pressure is above the band
        ("blow", "<f8"),  # time of the last blow, s since `origin`
        ("origin", "<i8"),
        ("sure", "<f8"),  # start of the first train that agreed, s since `origin`; 0: none
        ("before", "<i8"),  # blows counted before it
        ("period", "<f8"),  # s
        ("scatter", "<f8"),  # mean absolute deviation of periods, s
        ("train", "<i8"),  # periods of the current train
        ("count", "<i8"),  # blows in this bout
        ("top", "<f8"),  # of the current pulse
        ("bottom", "<f8"),
        ("gap", "<f8"),  # running mean from row to row, s
        ("new", "<i8"),  # periods since the last tally
        ("new_s", "<f8"),  # their total duration
        ("new_bar", "<f8"),  # sum of their pulses
    ]
)
TALLY: Final = np.dtype(
    [
        ("windows", "<i8"),
        ("periods", "<i8"),
        ("lasted", "<f8"),  # s
        ("wide", "<f8"),  # sum of peak-to-peak pulses, bar
    ]
)


@part
def restart(state: Any, now: int) -> None:
    """Begin a bout."""
    state.last = now
    state.origin = now
    state.rows = 0
    state.gains_for = 0
    state.above = 0
    state.blow = -1.0
    state.period = 0.0
    state.scatter = 0.0
    state.train = 0
    state.count = 0
    state.sure = 0.0
    state.before = 0
    state.gap = 0.0
    state.new = 0
    state.new_s = 0.0
    state.new_bar = 0.0


@part
def periodic(state: Any) -> bool:
    """Tell whether the blows form a train with a rate."""
    return state.train >= TRAIN and state.scatter < AGREE * state.period  # type: ignore[no-any-return]


@part
def take(state: Any, pressure_bar: float, at: int) -> bool:
    """Take one sample; return whether a blow fell in it."""
    value = pressure_bar
    gap_ns = at - state.last
    gap = gap_ns * 1e-9
    state.last = at
    if state.rows == 0:
        state.smooth = value
        state.crest = value
        state.trough = value
        state.top = value
        state.bottom = value
        state.rows = 1
        return False
    state.rows += 1
    state.gap += (0.02 if state.rows > 50 else 1.0 / state.rows) * (gap - state.gap)
    before = state.smooth
    period = state.period if state.train else 0.1
    if gap_ns != state.gains_for:
        state.gains_for = gap_ns
        state.smoothing = gap / (gap + period / 16.0)
        state.fading = gap / (gap + 3.0 * period)
    state.smooth += state.smoothing * (value - state.smooth)
    fade = state.fading * (state.crest - state.trough)
    state.crest = max(state.smooth, state.crest - fade)
    state.trough = min(state.smooth, state.trough + fade)
    middle = 0.5 * (state.crest + state.trough)
    band = BAND * (state.crest - state.trough)
    state.top = max(state.top, state.smooth)
    state.bottom = min(state.bottom, state.smooth)
    now = (at - state.origin) * 1e-9
    high = middle + band
    if state.above:
        if state.smooth < middle - band:
            state.above = 0
        return False
    if not state.smooth > high:
        return False
    state.above = 1
    when = now - gap * (state.smooth - high) / max(state.smooth - before, 1e-9)
    since = when - state.blow
    if state.blow >= 0.0 and since < max(FASTEST, 0.35 * period if state.train else 0.0):
        return False
    if state.blow < 0.0 or since > SLOWEST:
        state.train = 0
    elif state.train == 0 or since > 1.5 * state.period:
        # The first period, or one after missed blows: a new train.
        state.period = since
        state.scatter = 0.3 * since
        state.train = 1
    else:
        state.train += 1
        gain = max(0.15, 1.0 / state.train)
        off = since - state.period
        state.period += gain * off
        state.scatter += max(0.1, 1.0 / (state.train + 1)) * (abs(off) - state.scatter)
        if abs(off) < STRAY * state.period:
            state.new += 1
            state.new_s += since
            state.new_bar += state.top - state.bottom
    state.blow = when
    state.gains_for = 0
    state.count += 1
    if state.train == TRAIN and state.sure == 0.0:
        state.sure = when - TRAIN * state.period
        state.before = state.count - TRAIN - 1
    state.top = state.smooth
    state.bottom = state.smooth
    return True


@part
def rate_known(state: Any) -> bool:
    """Tell whether a rate is known: something is periodic, and each blow has enough samples."""
    return periodic(state) and state.period >= 0.9 * PER_BLOW * state.gap


@part
def tally(totals: Any, state: Any) -> None:
    """Add the blows of a window that has ended to a tally."""
    totals.windows += 1
    if rate_known(state):
        totals.periods += state.new
        totals.lasted += state.new_s
        totals.wide += state.new_bar
    state.new = 0
    state.new_s = 0.0
    state.new_bar = 0.0


@part
def clear(totals: Any) -> None:
    """Empty a tally."""
    totals.windows = 0
    totals.periods = 0
    totals.lasted = 0.0
    totals.wide = 0.0


@part
def mean_rate(totals: Any) -> float:
    """Return the blows per second of a tally; NaN if it has too few."""
    if totals.periods < TRAIN - 2:
        return math.nan
    return totals.periods / totals.lasted  # type: ignore[no-any-return]


@part
def mean_spread(totals: Any) -> float:
    """Return the mean pulse of a tally, peak to peak, bar; NaN if it has too few."""
    if totals.periods < TRAIN - 2:
        return math.nan
    return totals.wide / totals.periods  # type: ignore[no-any-return]


@part
def blows_in_bout(state: Any, rate_hz: float) -> int:
    """Return the blows of the bout: those counted since the pulses were clear, and before that one per period."""
    if not rate_hz > 0.0 or state.sure == 0.0:
        return state.count  # type: ignore[no-any-return]
    return state.count - state.before + max(0, round((state.sure - FILLING) * rate_hz))  # type: ignore[no-any-return]
