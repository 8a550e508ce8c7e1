"""The state and parameters of `blank_firing`, and the quantities that follow from them."""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up, waiting
from strikewatch.detectors.kernels import EVIDENCE, NEVER, part

TERMS: Final = 27
"""Terms of the score (`score.terms`)."""
CALIBRATION: Final = 4
"""Numbers of `score.CALIBRATION`."""

STATE: Final = np.dtype(
    [
        ("bout", "<i8"),  # start of the bout; NEVER: it does not fire
        ("fire_end", "<i8"),  # end of its firing so far
        ("last_row", "<i8"),
        ("window", "<i8"),  # start of the current window
        ("window_sum", "<f8"),  # its samples: sum and number
        ("window_n", "<i8"),
        ("windows", "<i8"),  # windows of this bout
        ("long_windows", "<i8"),  # windows that were too long
        ("judged", "<i8"),  # ns of this bout that could be judged
        ("blank", "<i8"),  # ns of this bout that are suspected
        ("no_step", "<i8"),  # whether the bout had no step yet
        ("recent", "<f8"),  # level of the last few windows
        ("deepest", "<f8"),  # its minimum in the run
        ("segment", "<i8"),  # kind of the current segment: UNSURE, LOADED or LOW_LEVEL
        ("least_change", "<f8"),  # least suspicious change of level in this bout, share of the level
        ("bout_level", "<f8"),  # loaded level of this bout; 0: not known yet
        ("loaded_sum", "<f8"),  # windows of loaded segments that are over: sum and number
        ("loaded_n", "<f8"),
        ("loaded_ns", "<i8"),  # duration of these segments
        ("block", "<f8"),  # windows of the current block: sum and number, for the sway
        ("block_n", "<i8"),
        ("blocks", "<i8"),
        ("blocks_mean", "<f8"),  # mean of blocks, and sum of their squared deviations
        ("blocks_square", "<f8"),
        ("run", "<i8"),  # start of the suspicious run; NEVER: there is none
        ("run_end", "<i8"),
        ("run_sum", "<f8"),  # windows of its segments that are over: sum and number
        ("run_n", "<f8"),
        ("dips", "<i8"),  # steps down and up again in this bout
        ("dip_sum", "<f8"),  # their total depth, share of the level
        ("calm_until", "<i8"),  # end of the last window that was near its segment's level
        ("stepped", "<i8"),  # whether the run began or ended with a step inside the bout
        ("pump_changed", "<i8"),  # whether previous bouts had the same low level
        ("onset", "<i8"),
        ("high", "<i8"),
        ("step", "<f8"),  # usual length of a window where the level moves, ns
        ("valid_end", "<i8"),  # where the score of the run last reached the floor
        ("valid", "<f8", (EVIDENCE,)),  # evidence at that instant
        ("evidence", "<f8", (EVIDENCE,)),  # current evidence of the run
        ("waiting", waiting.STATE),
        ("straddles", "<i8"),  # whether the engine speed changed within the current window
        ("rpm", "<f8"),  # 0: unknown
        ("rpm_until", "<i8"),
        ("factor", "<f8"),  # from a pressure now to one at the reference engine speed
        ("fast", "<i8"),  # whether blows can be counted in this bout
        ("loaded_pulse", blow_counter.TALLY),
        ("low_pulse", blow_counter.TALLY),
        ("cusum", cusum.STATE),
        ("baseline", baseline.STATE),
        ("ramp_up", ramp_up.STATE),
        ("blows", blow_counter.STATE),
        ("serviced", "<i8"),  # whether to relearn at the next bout
        ("accumulator_onset", "<i8"),
    ]
)
FRESH: Final = {
    "factor": 1.0,
    "bout": NEVER,
    "fire_end": NEVER,
    "run": NEVER,
    "run_end": NEVER,
    "onset": NEVER,
    "accumulator_onset": NEVER,
    "valid_end": NEVER,
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
"""Places of a run in its bout."""

UNSURE: Final = 0
LOADED: Final = 1
LOW_LEVEL: Final = 2
"""Kinds of segments."""

BLOCK: Final = 5
"""Windows in a block of half a second, for the sway."""
MIRROR: Final = 1e4
"""Where the level rises when blank, MIRROR / level falls, bar squared."""
LEAVING: Final = 600_000_000
"""A level that falls left its previous level at most this long before it is clearly below, ns."""
APART: Final = 0.15
"""A bout must begin at least this far from the baseline to be suspicious, share of the level."""
UNKNOWN: Final = 0.13
"""The least step while the ramp-up is unknown, share of the level."""
SWAY: Final = 2.2
"""The least step in units of the usual sway of loaded bouts."""
COMING_UP: Final = 4_000_000_000
"""How long a bout that began as if loaded may still turn out low, ns: the line has to fill."""
RECENT: Final = 0.3
"""Weight of the newest window in the recent level."""
UNSTEADY: Final = 0.35
"""Share of what is still missing to the steady level that counts as doubt during the ramp-up."""
EARLY: Final = 1_200_000_000
"""A level that falls this soon was never loaded, ns: the line delays the fall."""


@part
def least_step(state: Any, params: Any) -> float:
    """Return the least step inside a bout that is suspicious on this hammer, share of the level."""
    fall = state.baseline.fall if state.baseline.falls else baseline.FALL
    least = max(
        params.least_change,
        min(0.45 * fall, min(0.2, 0.14 + cusum.noise_share(state.cusum))),
        SWAY * state.baseline.sway,
    )
    if not ramp_up.known(state.ramp_up):
        least = max(least, UNKNOWN)
    return min(0.25, least)  # type: ignore[no-any-return]


@part
def least_start_change(state: Any) -> float:
    """Return how far from the baseline a bout must begin to be suspicious, share of the level.

    Rock and pump move the level from bout to bout.
    """
    least = APART
    if state.baseline.falls >= 5:
        least = max(0.12, min(APART, 0.7 * state.baseline.fall))
    apart = max(least, 3.0 * state.baseline.spread, 1.2 * state.least_change)
    if state.baseline.falls >= 3:
        apart = max(apart, 0.6 * state.baseline.fall)
    return min(0.3, apart)  # type: ignore[no-any-return]


@part
def known(state: Any, params: Any) -> bool:
    """Tell whether the baseline is known well enough to judge."""
    return state.baseline.learned >= params.learn  # type: ignore[no-any-return]


@part
def bar(state: Any, params: Any, level: float) -> float:
    """Convert a level to a pressure at the current engine speed, bar."""
    if params.rises:
        level = MIRROR / level
    return level / state.factor  # type: ignore[no-any-return]


@part
def still_learning(state: Any, params: Any) -> bool:
    """Tell whether the baseline is still being learned, though it is known well enough to judge."""
    return state.baseline.learned < 8 * params.learn  # type: ignore[no-any-return]
