"""What `blank_firing` remembers of a hammer, and the words in which its parts speak of it."""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up, waiting
from strikewatch.detectors.kernels import (
    EVIDENCE,
    NEVER,
    part,
)

TERMS: Final = 27
"""Terms of the score (`score.terms`)."""
CALIBRATION: Final = 4
"""Numbers of `score.CALIBRATION`."""

STATE: Final = np.dtype(
    [
        ("bout", "<i8"),  # start of the bout
        ("fire_end", "<i8"),  # where its firing ended last
        ("row", "<i8"),  # the row before
        ("window", "<i8"),  # start of the present window
        ("sum", "<f8"),
        ("n", "<i8"),
        ("seen", "<i8"),  # windows of this bout, and those of them that were too long
        ("long", "<i8"),
        ("judged", "<i8"),  # ns of this bout that could be judged, and that were suspected
        ("blank", "<i8"),
        ("first", "<i8"),  # whether the bout has shown no step yet
        ("recent", "<f8"),  # level of the last few windows, but not followed while loaded for long
        ("deepest", "<f8"),  # the lowest that it was in the run
        ("kind", "<i8"),  # of the present segment: UNSURE, LOADED or LOW_LEVEL
        ("least", "<f8"),  # change of level that is suspicious in this bout, share of the level
        ("ref", "<f8"),  # loaded level of this bout; 0 while none is known
        ("good_sum", "<f8"),  # windows of its loaded segments that are over, and how long they lasted, ns
        ("good_n", "<f8"),
        ("good", "<i8"),
        ("block", "<f8"),  # windows of the present block, for the sway
        ("block_n", "<i8"),
        ("blocks", "<i8"),
        ("blocks_mean", "<f8"),  # mean and sum of squared deviations of blocks
        ("blocks_square", "<f8"),
        ("run", "<i8"),  # the suspicious run
        ("run_end", "<i8"),
        ("run_sum", "<f8"),  # of its segments that are over
        ("run_n", "<f8"),
        ("swings", "<i8"),  # steps down and up again of this bout, and how deep they were together
        ("swung", "<f8"),
        ("calm", "<i8"),  # end of the last window that was near its segment's level
        ("stepped", "<i8"),  # whether a step of this bout bears it out
        ("held", "<i8"),
        ("onset", "<i8"),
        ("high", "<i8"),
        ("step", "<f8"),  # usual length of a window where the level moves, ns
        ("sure_end", "<i8"),  # where the raised run last scored at least the floor, and its evidence there
        ("sure", "<f8", (EVIDENCE,)),
        ("now", "<f8", (EVIDENCE,)),  # evidence of the run up to here
        ("waiting", waiting.STATE),
        ("straddles", "<i8"),  # whether the present window began at another engine speed
        ("rpm", "<f8"),
        ("rpm_until", "<i8"),
        ("factor", "<f8"),
        ("fast", "<i8"),  # whether blows can be told in this bout
        ("good_pulse", blow_counter.TALLY),
        ("low_pulse", blow_counter.TALLY),
        ("steps", cusum.STATE),
        ("loaded", baseline.STATE),
        ("startup", ramp_up.STATE),
        ("blows", blow_counter.STATE),
        ("serviced", "<i8"),
        ("suspect", "<i8"),  # onset of `accumulator_suspect`
    ]
)
FRESH: Final = {
    "factor": 1.0,
    "bout": NEVER,
    "fire_end": NEVER,
    "run": NEVER,
    "run_end": NEVER,
    "onset": NEVER,
    "suspect": NEVER,
    "sure_end": NEVER,
}
PARAMS: Final = np.dtype(
    [
        ("blank_min", "<i8"),
        ("high", "<i8"),
        ("transient", "<i8"),
        ("rises", "<i8"),
        ("least_change", "<f8"),
        ("least_score", "<f8"),
        ("at_once", "<f8"),
        ("learn", "<i8"),
        ("relearn", "<i8"),
        ("wide", "<f8"),
        ("weights", "<f8", (TERMS + CALIBRATION,)),
    ]
)

START: Final = 0
MIDDLE: Final = 1
END: Final = 2
WHOLE: Final = 3

UNSURE: Final = 0
LOADED: Final = 1
LOW_LEVEL: Final = 2

BLOCK: Final = 5
"""Windows in a mean of half a second, for the sway."""
MIRROR: Final = 1e4
"""Where the level rises when struck blank, this over it falls, bar squared."""
LEAVING: Final = 600_000_000
"""A level that falls has left it at most so long before it is clearly below, ns."""
APART: Final = 0.15
"""A bout must begin at least so far from the learned level to be suspicious, share of the level."""
UNKNOWN: Final = 0.13
"""The least change while it is not known yet how the pressure comes up."""
SWAY: Final = 2.2
"""A change counts that is so many times the usual slow deviation within loaded bouts."""
COMING_UP: Final = 4_000_000_000
"""So long a bout that began as if loaded may still turn out low: the line has to fill, ns."""
RECENT: Final = 0.3
"""Weight of the newest window in the level of late."""
UNSTEADY: Final = 0.35
"""While the line fills, this share of what is still missing counts as doubt."""
FEW: Final = 150_000_000.0
"""Windows longer than this, ns, are few: each is one sample."""
EARLY: Final = 1_200_000_000
"""A level that falls so soon was never loaded: it took the line so long to show it, ns."""


@part
def least_fall(state: Any, params: Any) -> float:
    """The step inside a bout that is suspicious on this hammer, share of the level."""
    fall = state.loaded.fall if state.loaded.falls else baseline.FALL
    least = max(
        params.least_change,
        min(0.45 * fall, min(0.2, 0.14 + cusum.noise_share(state.steps))),
        SWAY * state.loaded.sway,
    )
    if not ramp_up.known(state.startup):
        least = max(least, UNKNOWN)
    return min(0.25, least)  # type: ignore[no-any-return]


@part
def least_apart(state: Any) -> float:
    """How far from the learned level a bout must begin to be suspicious: rock and pump move it from bout to bout."""
    least = APART
    if state.loaded.falls >= 5:
        least = max(0.12, min(APART, 0.7 * state.loaded.fall))
    apart = max(least, 3.0 * state.loaded.spread, 1.2 * state.least)
    if state.loaded.falls >= 3:
        apart = max(apart, 0.6 * state.loaded.fall)
    return min(0.3, apart)  # type: ignore[no-any-return]


@part
def known(state: Any, params: Any) -> bool:
    """Whether the loaded level is known well enough to judge."""
    return state.loaded.learned >= params.learn  # type: ignore[no-any-return]


@part
def bar(state: Any, params: Any, level: float) -> float:
    """A level as a pressure at the present engine speed, bar."""
    if params.rises:
        level = MIRROR / level
    return level / state.factor  # type: ignore[no-any-return]


@part
def young(state: Any, params: Any) -> bool:
    """Whether the loaded level is still being learned, though it is good enough to judge by."""
    return state.loaded.learned < 8 * params.learn  # type: ignore[no-any-return]
