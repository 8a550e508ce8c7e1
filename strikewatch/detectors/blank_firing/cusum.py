"""Steps in a level: where a series of windows leaves its level for another, and when exactly it did.

A segment is a stretch of windows about one level, which is followed slowly (an exponentially weighted mean, as
rock and oil move it). Two one-sided cumulative sums watch for a fall and for a rise; each window adds its
deviation in units of the usual noise less an allowance, and no more than `CAP`, so that no single wild sample
decides. When a sum reaches `ENOUGH`, the level has changed, and it changed where that sum last left zero.

Cumulative sum and weighted mean are those of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and
6.3.2.4.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

ENOUGH: Final = 2.5
CAP: Final = 1.0
"""A window of the shortest length adds at most this; a long one at most twice."""
FOLLOW: Final = 0.05
FOLLOW_NOISE: Final = 0.02
SETTLED: Final = 20.0
"""Windows after which a segment's level moves by `FOLLOW`; before, it is their mean."""
SURE: Final = 0.02
"""No noise is taken to be less than this share of the level."""

FALL: Final = 1
RISE: Final = 2

STATE: Final = np.dtype(
    [
        ("level", "<f8"),  # of the present segment; 0 before its first window
        ("since", "<i8"),  # start of the segment
        ("sum", "<f8"),
        ("n", "<f8"),
        ("noise", "<f8"),  # mean absolute deviation of windows from their segment, bar
        ("fall", "<f8"),  # the sums, where they left zero, and the windows since
        ("fall_at", "<i8"),
        ("fall_sum", "<f8"),
        ("fall_n", "<f8"),
        ("rise", "<f8"),
        ("rise_at", "<i8"),
        ("rise_sum", "<f8"),
        ("rise_n", "<f8"),
    ]
)


@part
def cusum(total: float, deviation: float, allowance: float, cap: float) -> float:
    """The one-sided cumulative sum after one more deviation; `cap` = inf is the textbook's."""
    return max(0.0, total + min(cap, deviation - allowance))


@part
def ewma(mean: float, value: float, gain: float) -> float:
    """The exponentially weighted mean after one more value."""
    return mean + gain * (value - mean)


@part
def noise_share(s: Any) -> float:
    """The usual deviation of a window from its segment, share of the level."""
    return max(SURE, s.noise / s.level) if s.level > 0.0 else SURE


@part
def open_segment(s: Any, level: float, since: int, total: float, n: float) -> None:
    s.level = level
    s.since = since
    s.sum = total
    s.n = n
    s.fall = 0.0
    s.rise = 0.0


@part
def gain(n: float) -> float:
    """How far the n-th window of a segment moves its level: a mean at first, then a weighted one."""
    return FOLLOW if n >= SETTLED else 1.0 / n


@part
def stay(s: Any, x: float, least: float) -> bool:
    """Take one more window of level x if it is an ordinary one: no sum is under way, and none would begin."""
    off = abs(x - s.level)
    if s.fall != 0.0 or s.rise != 0.0 or off >= least * s.level:
        return False
    s.sum += x
    s.n += 1.0
    s.level += gain(s.n) * (x - s.level)
    s.noise += FOLLOW_NOISE * (min(off, 3.0 * max(s.noise, SURE * s.level)) - s.noise)
    return True


@part
def follow(s: Any, x: float, start: int, weight: float, least: float) -> int:
    """Take any window of level x that began at `start`. Returns 0, FALL or RISE.

    `weight`: length of the window in shortest lengths, at most 2. `least`: the change that counts, share of the level.
    On a step, `fall_at`/`rise_at` is its instant, and the windows since then are in `fall_sum` and `fall_n`.
    """
    below = s.level - x
    scale = 0.5 * least * s.level
    if 1.25 * s.noise > scale:
        # Noisy samples: a long window is as likely one wild sample as a mean.
        scale = 1.25 * s.noise
        weight = min(weight, 1.0)
    allowance = least * s.level / scale
    fall = cusum(s.fall, below / scale, allowance, CAP * weight)
    rise = cusum(s.rise, -below / scale, allowance, CAP * weight)
    s.sum += x
    s.n += 1.0
    if fall > 0.0:
        if s.fall == 0.0:
            s.fall_at = start
            s.fall_sum = 0.0
            s.fall_n = 0.0
        s.fall_sum += x
        s.fall_n += 1.0
    elif rise > 0.0:
        if s.rise == 0.0:
            s.rise_at = start
            s.rise_sum = 0.0
            s.rise_n = 0.0
        s.rise_sum += x
        s.rise_n += 1.0
    elif s.fall == 0.0 and s.rise == 0.0:
        s.level = ewma(s.level, x, gain(s.n))
        s.noise = ewma(s.noise, min(abs(below), 3.0 * max(s.noise, SURE * s.level)), FOLLOW_NOISE)
    s.fall = fall
    s.rise = rise
    if fall >= ENOUGH:
        return FALL
    if rise >= ENOUGH:
        return RISE
    return 0
