"""Blows in a fast pressure feed: when each falls, how many a second, and how wide the pulse is.

A blow is a rising passage through a band midway between the crests and troughs of late; at most one in a dead
time, for a small rebound would else count twice. From passage to passage is one period whatever the shape of the
pulse, so that no fraction or multiple of the rate can be taken for it, as by the highest peak of an
autocorrelation. Where the periods do not agree with each other nothing is periodic, and there is no rate.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

FASTEST: Final = 0.02
"""Dead time, s: no breaker strikes 50 times a second (300 to 1500 blows/min, 5 to 25 Hz; common practice)."""
SLOWEST: Final = 0.4
"""A silence this long, s, ends a train of blows."""
PER_BLOW: Final = 8.0
"""Samples that a blow needs for its rate to be told."""
TRAIN: Final = 6
"""Periods that must agree."""
AGREE: Final = 0.12
"""They agree when their mean absolute deviation is below this share of the period."""
FILLING: Final = 0.25
"""No blow falls so soon after the start, s: the line has to fill."""
STRAY: Final = 0.3
"""A period so far from the others, as a share of it, is a blow found too early or too late: it is not averaged."""
BAND: Final = 0.15
"""Half of the band about the middle between crests and troughs, as a share of their distance: a rebound a third as high
as the blow does not reach it."""

STATE: Final = np.dtype(
    [
        ("last", "<i8"),  # the row before
        ("smooth", "<f8"),  # pressure, smoothed over a small part of a period
        ("crest", "<f8"),  # of late
        ("trough", "<f8"),
        ("rows", "<i8"),
        ("gains_for", "<i8"),  # gap, ns, for which the next two hold; 0 = none: the period is another
        ("smoothing", "<f8"),
        ("fading", "<f8"),
        ("above", "<i8"),
        ("blow", "<f8"),  # the last blow, s since the row that `origin` names
        ("origin", "<i8"),
        ("sure", "<f8"),  # where the first train began that agreed, and the blows counted before it
        ("before", "<i8"),
        ("period", "<f8"),  # s
        ("scatter", "<f8"),  # mean absolute deviation of periods, s
        ("train", "<i8"),  # periods that the present train has
        ("count", "<i8"),  # blows in this bout
        ("top", "<f8"),  # of the present pulse
        ("bottom", "<f8"),
        ("gap", "<f8"),  # from row to row, running mean, s
        ("new", "<i8"),  # periods since the last tally, how long they were together, and their pulses
        ("new_s", "<f8"),
        ("new_bar", "<f8"),
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
def restart(s: Any, at: int) -> None:
    """A bout begins."""
    s.last = at
    s.origin = at
    s.rows = 0
    s.gains_for = 0
    s.above = 0
    s.blow = -1.0
    s.period = 0.0
    s.scatter = 0.0
    s.train = 0
    s.count = 0
    s.sure = 0.0
    s.before = 0
    s.gap = 0.0
    s.new = 0
    s.new_s = 0.0
    s.new_bar = 0.0


@part
def periodic(s: Any) -> bool:
    """Whether the blows form a train whose rate may be told."""
    return s.train >= TRAIN and s.scatter < AGREE * s.period  # type: ignore[no-any-return]


@part
def take(s: Any, pressure_bar: float, at: int) -> bool:
    """Take one sample; whether a blow fell in it."""
    v = pressure_bar
    gap_ns = at - s.last
    gap = gap_ns * 1e-9
    s.last = at
    if s.rows == 0:
        s.smooth = v
        s.crest = v
        s.trough = v
        s.top = v
        s.bottom = v
        s.rows = 1
        return False
    s.rows += 1
    s.gap += (0.02 if s.rows > 50 else 1.0 / s.rows) * (gap - s.gap)
    before = s.smooth
    period = s.period if s.train else 0.1
    if gap_ns != s.gains_for:
        s.gains_for = gap_ns
        s.smoothing = gap / (gap + period / 16.0)
        s.fading = gap / (gap + 3.0 * period)
    s.smooth += s.smoothing * (v - s.smooth)
    fade = s.fading * (s.crest - s.trough)
    s.crest = max(s.smooth, s.crest - fade)
    s.trough = min(s.smooth, s.trough + fade)
    middle = 0.5 * (s.crest + s.trough)
    band = BAND * (s.crest - s.trough)
    s.top = max(s.top, s.smooth)
    s.bottom = min(s.bottom, s.smooth)
    now = (at - s.origin) * 1e-9
    high = middle + band
    if s.above:
        if s.smooth < middle - band:
            s.above = 0
        return False
    if not s.smooth > high:
        return False
    s.above = 1
    when = now - gap * (s.smooth - high) / max(s.smooth - before, 1e-9)
    since = when - s.blow
    if s.blow >= 0.0 and since < max(FASTEST, 0.35 * period if s.train else 0.0):
        return False
    if s.blow < 0.0 or since > SLOWEST:
        s.train = 0
    elif s.train == 0 or since > 1.5 * s.period:
        # The first period, or one after missed blows: begin to agree anew.
        s.period = since
        s.scatter = 0.3 * since
        s.train = 1
    else:
        s.train += 1
        gain = max(0.15, 1.0 / s.train)
        off = since - s.period
        s.period += gain * off
        s.scatter += max(0.1, 1.0 / (s.train + 1)) * (abs(off) - s.scatter)
        if abs(off) < STRAY * s.period:
            s.new += 1
            s.new_s += since
            s.new_bar += s.top - s.bottom
    s.blow = when
    s.gains_for = 0
    s.count += 1
    if s.train == TRAIN and s.sure == 0.0:
        s.sure = when - TRAIN * s.period
        s.before = s.count - TRAIN - 1
    s.top = s.smooth
    s.bottom = s.smooth
    return True


@part
def told(s: Any) -> bool:
    """Whether a rate may be told: something is periodic, and each blow has enough samples."""
    return periodic(s) and s.period >= 0.9 * PER_BLOW * s.gap


@part
def tally(t: Any, s: Any) -> None:
    """A window is over: add the blows that fell in it to a tally."""
    t.windows += 1
    if told(s):
        t.periods += s.new
        t.lasted += s.new_s
        t.wide += s.new_bar
    s.new = 0
    s.new_s = 0.0
    s.new_bar = 0.0


@part
def clear(t: Any) -> None:
    t.windows = 0
    t.periods = 0
    t.lasted = 0.0
    t.wide = 0.0


@part
def mean_rate(t: Any) -> float:
    """Blows a second over a tally, NaN where it has too few."""
    if t.periods < TRAIN - 2:
        return math.nan
    return t.periods / t.lasted  # type: ignore[no-any-return]


@part
def mean_spread(t: Any) -> float:
    """Pulse over a tally, peak to peak, bar; NaN where it has too few."""
    if t.periods < TRAIN - 2:
        return math.nan
    return t.wide / t.periods  # type: ignore[no-any-return]


@part
def struck(s: Any, hz: float) -> int:
    """Blows of the bout: those counted since the pulses stood out, and before that one period after another."""
    if not hz > 0.0 or s.sure == 0.0:
        return s.count  # type: ignore[no-any-return]
    return s.count - s.before + max(0, round((s.sure - FILLING) * hz))  # type: ignore[no-any-return]
