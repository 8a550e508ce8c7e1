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

from strikewatch.detectors.kernels import (
    part,
)

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
def noise_share(state: Any) -> float:
    """The usual deviation of a window from its segment, share of the level."""
    return max(SURE, state.noise / state.level) if state.level > 0.0 else SURE


@part
def open_segment(state: Any, level: float, since: int, total: float, windows: float) -> None:
    state.level = level
    state.since = since
    state.sum = total
    state.n = windows
    state.fall = 0.0
    state.rise = 0.0


@part
def gain(windows: float) -> float:
    """How far the n-th window of a segment moves its level: a mean at first, then a weighted one."""
    return FOLLOW if windows >= SETTLED else 1.0 / windows


@part
def stay(state: Any, value: float, least: float) -> bool:
    """Take one more window of level x if it is an ordinary one: no sum is under way, and none would begin."""
    off = abs(value - state.level)
    if state.fall != 0.0 or state.rise != 0.0 or off >= least * state.level:
        return False
    state.sum += value
    state.n += 1.0
    state.level += gain(state.n) * (value - state.level)
    state.noise += FOLLOW_NOISE * (min(off, 3.0 * max(state.noise, SURE * state.level)) - state.noise)
    return True


@part
def follow(state: Any, value: float, start: int, weight: float, least: float) -> int:
    """Take any window of level x that began at `start`. Returns 0, FALL or RISE.

    `weight`: length of the window in shortest lengths, at most 2. `least`: the change that counts, share of the level.
    On a step, `fall_at`/`rise_at` is its instant, and the windows since then are in `fall_sum` and `fall_n`.
    """
    below = state.level - value
    scale = 0.5 * least * state.level
    if 1.25 * state.noise > scale:
        # Noisy samples: a long window is as likely one wild sample as a mean.
        scale = 1.25 * state.noise
        weight = min(weight, 1.0)
    allowance = least * state.level / scale
    fall = cusum(state.fall, below / scale, allowance, CAP * weight)
    rise = cusum(state.rise, -below / scale, allowance, CAP * weight)
    state.sum += value
    state.n += 1.0
    if fall > 0.0:
        if state.fall == 0.0:
            state.fall_at = start
            state.fall_sum = 0.0
            state.fall_n = 0.0
        state.fall_sum += value
        state.fall_n += 1.0
    elif rise > 0.0:
        if state.rise == 0.0:
            state.rise_at = start
            state.rise_sum = 0.0
            state.rise_n = 0.0
        state.rise_sum += value
        state.rise_n += 1.0
    elif state.fall == 0.0 and state.rise == 0.0:
        state.level = ewma(state.level, value, gain(state.n))
        state.noise = ewma(
            state.noise, min(abs(below), 3.0 * max(state.noise, SURE * state.level)), FOLLOW_NOISE
        )
    state.fall = fall
    state.rise = rise
    if fall >= ENOUGH:
        return FALL
    if rise >= ENOUGH:
        return RISE
    return 0
