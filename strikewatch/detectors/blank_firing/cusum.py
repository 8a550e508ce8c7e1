"""Steps of a level: where a series of windows leaves its level for another, and when exactly.

A segment is a series of windows about one level. The level is followed slowly by an exponentially weighted mean, since
rock and oil move it. Two one-sided cumulative sums watch for a fall and for a rise. Each window adds its deviation in
units of the usual noise, less an allowance, and at most `CAP`, so that no single wild sample decides. When a sum
reaches `ENOUGH` the level has changed, at the instant where that sum last left zero.

Cumulative sum and weighted mean are those of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

ENOUGH: Final = 2.5
"""A sum that reaches this is a step."""
CAP: Final = 1.0
"""A window of the shortest length adds at most this; a long one at most twice."""
FOLLOW: Final = 0.05
"""Gain of the level."""
FOLLOW_NOISE: Final = 0.02
"""Gain of the noise."""
SETTLED: Final = 20.0
"""Up to this many windows a segment's level is their mean; later it moves by `FOLLOW`."""
SURE: Final = 0.02
"""The noise is taken as at least this share of the level."""

FALL: Final = 1
RISE: Final = 2

STATE: Final = np.dtype(
    [
        ("level", "<f8"),  # of the current segment; 0 before its first window
        ("since", "<i8"),  # start of the segment
        ("sum", "<f8"),  # of the levels of its windows
        ("n", "<f8"),  # number of its windows
        ("noise", "<f8"),  # mean absolute deviation of windows from their segment, bar
        ("fall", "<f8"),  # cumulative sum for a fall
        ("fall_at", "<i8"),  # where it left zero
        ("fall_sum", "<f8"),  # windows since then: sum and number
        ("fall_n", "<f8"),
        ("rise", "<f8"),
        ("rise_at", "<i8"),
        ("rise_sum", "<f8"),
        ("rise_n", "<f8"),
    ]
)


@part
def cusum(total: float, deviation: float, allowance: float, cap: float) -> float:
    """Return the one-sided cumulative sum after one more deviation; `cap` = inf is the textbook's."""
    return max(0.0, total + min(cap, deviation - allowance))


@part
def ewma(mean: float, value: float, gain: float) -> float:
    """Return the exponentially weighted mean after one more value."""
    return (1.0 - gain) * mean + gain * value


@part
def follow_noise(noise: float, off: float, level: float) -> float:
    """Return the mean deviation after one more window; it counts as at most three times the mean deviation so far."""
    most = max(3.0 * FOLLOW_NOISE * noise, 3.0 * FOLLOW_NOISE * SURE * level)
    return (1.0 - FOLLOW_NOISE) * noise + min(FOLLOW_NOISE * off, most)


@part
def noise_share(state: Any) -> float:
    """Return the usual deviation of a window from its segment, share of the level."""
    return max(SURE, state.noise / state.level) if state.level > 0.0 else SURE


@part
def open_segment(state: Any, level: float, since: int, total: float, windows: float) -> None:
    """Begin a segment."""
    state.level = level
    state.since = since
    state.sum = total
    state.n = windows
    state.fall = 0.0
    state.rise = 0.0


@part
def gain(windows: float) -> float:
    """Return the gain of the level at the n-th window of a segment."""
    return FOLLOW if windows >= SETTLED else 1.0 / windows


@part
def stay(state: Any, value: float, least: float) -> bool:
    """Take one more window if it is ordinary: no sum is under way, and none would begin. Return whether it is."""
    off = abs(value - state.level)
    if state.fall != 0.0 or state.rise != 0.0 or off >= least * state.level:
        return False
    state.sum += value
    state.n += 1.0
    state.level = ewma(state.level, value, gain(state.n))
    state.noise = follow_noise(state.noise, off, state.level)
    return True


@part
def follow(state: Any, value: float, start: int, weight: float, least: float) -> int:
    """Take any window that began at `start`; return 0, FALL or RISE.

    Args:
        weight: length of the window in shortest lengths, at most 2.
        least: the change that counts, share of the level.

    At a step, `fall_at` or `rise_at` is its instant; the windows since then are in `fall_sum` and `fall_n`, or
    likewise.
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
        state.noise = follow_noise(state.noise, abs(below), state.level)
    state.fall = fall
    state.rise = rise
    if fall >= ENOUGH:
        return FALL
    if rise >= ENOUGH:
        return RISE
    return 0
