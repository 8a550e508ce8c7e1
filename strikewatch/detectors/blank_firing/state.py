"""The state and parameters of `blank_firing`, what follows from them, and an earlier layout of the state."""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum, ramp_up
from strikewatch.detectors.kernels import EVIDENCE, NEVER, part

TERMS: Final = 27
"""Terms of the score (`score.weigh`)."""
CALIBRATION: Final = 4
"""Numbers of `score.CALIBRATION`."""

BOUT_NUMBERS: Final = 9
"""Numbers of a bout: those of a `core.bout.Bout`."""

WAITING: Final = np.dtype(
    [
        ("until", "<i8"),  # how long the next bout is waited for
        ("onset", "<i8"),
        ("end", "<i8"),
        ("high_at", "<i8"),  # when it became high; NEVER: it did not
        ("level", "<f8"),  # of the run
        ("reference", "<f8"),  # level that it was compared with
        ("deepest", "<f8"),  # lowest level in the run
        ("evidence", "<f8", (EVIDENCE,)),
        ("bout", "<i8"),  # start of its bout
        ("fire_end", "<i8"),  # end of its bout
        ("bout_numbers", "<f8", (BOUT_NUMBERS,)),
        ("on", "<u1"),  # whether a suspicion is deferred
        ("whole", "<u1"),  # whether the run was the whole bout
        ("stepped", "<u1"),  # whether the run began or ended with a step
    ],
    align=True,
)
"""A suspicion that only the next bout can confirm; see `runs`."""

STATE: Final = np.dtype(
    [
        ("bout", "<i8"),  # start of the bout; NEVER: it does not fire
        ("fire_end", "<i8"),  # end of its firing so far
        ("last_row", "<i8"),
        ("window", "<i8"),  # start of the current window
        ("window_sum", "<f8"),  # its samples: sum and number
        ("window_n", "<u4"),
        ("windows", "<u4"),  # windows of this bout
        ("judged", "<i8"),  # ns of this bout that could be judged
        ("blank", "<i8"),  # ns of this bout that are suspected
        ("recent", "<f8"),  # level of the last few windows
        ("deepest", "<f8"),  # its minimum in the run
        ("least_change", "<f8"),  # least suspicious change of level in this bout, share of the level
        ("bout_level", "<f8"),  # loaded level of this bout; 0: not known yet
        ("loaded_sum", "<f8"),  # windows of loaded segments that are over: sum and number
        ("loaded_n", "<f8"),
        ("loaded_ns", "<i8"),  # duration of these segments
        ("block", "<f8"),  # windows of the current block: sum and number, for the sway
        ("block_n", "<u4"),
        ("blocks", "<u4"),
        ("blocks_sum", "<f8"),  # of blocks, and of their squares
        ("blocks_squares", "<f8"),
        ("run", "<i8"),  # start of the suspicious run; NEVER: there is none
        ("run_end", "<i8"),
        ("run_sum", "<f8"),  # windows of its segments that are over: sum and number
        ("run_n", "<f8"),
        ("dip_sum", "<f8"),  # total depth of steps down and up again in this bout, share of the level
        ("dips", "<u4"),  # their number
        ("segment", "<u1"),  # kind of the current segment: UNSURE, LOADED or LOW_LEVEL
        ("no_step", "<u1"),  # whether the bout had no step yet
        ("long_windows", "<u1"),  # whether a window was too long
        ("stepped", "<u1"),  # whether the run began or ended with a step inside the bout
        ("calm_until", "<i8"),  # end of the last window that was near its segment's level
        ("onset", "<i8"),
        ("step", "<f8"),  # usual length of a window where the level moves, ns
        ("score", "<f8"),  # of the run, when it was last computed
        ("valid_end", "<i8"),  # where the score of the run last reached the floor
        ("valid", "<f8", (EVIDENCE,)),  # evidence at that instant
        ("waiting", WAITING),
        ("rpm", "<f8"),  # 0: unknown
        ("rpm_until", "<i8"),
        ("factor", "<f8"),  # from a pressure now to one at the reference engine speed
        ("loaded_pulse", blow_counter.TALLY),
        ("low_pulse", blow_counter.TALLY),
        ("cusum", cusum.STATE),
        ("baseline", baseline.STATE),
        ("ramp_up", ramp_up.STATE),
        ("blows", blow_counter.STATE),
        ("accumulator_onset", "<i8"),
        ("pump_changed", "<u1"),  # whether previous bouts had the same low level
        ("high", "<u1"),
        ("straddles", "<u1"),  # whether the engine speed changed within the current window
        ("fast", "<u1"),  # whether blows can be counted in this bout
        ("serviced", "<u1"),  # whether to relearn at the next bout
    ],
    align=True,
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
        ("least_log_odds", "<f8"),  # of that score
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


_RENAMED_4: Final = {"blocks_sum": "blocks_mean", "blocks_squares": "blocks_square"}
VERSION_4: Final = np.dtype(
    [(_RENAMED_4.get(name, name), STATE[name]) for name in STATE.names or ()], align=True
)


def carry_over_4(record: Any) -> dict[str, Any]:
    """Return the fields of the current layout from a record of version 4, or of an older one as far as they are there.

    It had the mean of the blocks and their squared deviations, not their sum and that of their squares.
    """
    fields = {name: record[name] for name in STATE.names or () if name in record.dtype.names}
    n, mean, deviations = record["blocks"], record["blocks_mean"], record["blocks_square"]
    fields["blocks_sum"] = n * mean * BLOCK
    fields["blocks_squares"] = (deviations + n * mean * mean) * BLOCK**2
    return fields


_I8: Final = "<i8"
_F8: Final = "<f8"
_SCORE_3: Final = 8
"""Where version 3 had the score among the evidence."""
_WAITING_3: Final = [
    *((name, _I8) for name in ("on", "until", "onset", "end", "high_at", "whole")),
    *((name, _F8) for name in ("level", "reference", "deepest")),
    ("stepped", _I8),
    ("evidence", _F8, (EVIDENCE,)),
    ("bout", _I8),
    ("fire_end", _I8),
    ("bout_numbers", _F8, (12,)),
]
_RAMP_UP_3: Final = [
    ("share", _F8, (24,)),
    ("spread", _F8, (24,)),
    ("bouts", _I8, (24,)),
    ("sum", _F8, (24,)),
    ("n", _I8, (24,)),
    ("steady", _F8),
    ("steady_n", _I8),
]
VERSION_3: Final = np.dtype(
    [
        *((name, _I8) for name in ("bout", "fire_end", "last_row", "window")),
        ("window_sum", _F8),
        *((name, _I8) for name in ("window_n", "windows", "long_windows", "judged", "blank", "no_step")),
        *((name, _F8) for name in ("recent", "deepest")),
        ("segment", _I8),
        *((name, _F8) for name in ("least_change", "bout_level", "loaded_sum", "loaded_n")),
        ("loaded_ns", _I8),
        ("block", _F8),
        *((name, _I8) for name in ("block_n", "blocks")),
        *((name, _F8) for name in ("blocks_mean", "blocks_square")),
        *((name, _I8) for name in ("run", "run_end")),
        *((name, _F8) for name in ("run_sum", "run_n")),
        ("dips", _I8),
        ("dip_sum", _F8),
        *((name, _I8) for name in ("calm_until", "stepped", "pump_changed", "onset", "high")),
        ("step", _F8),
        ("valid_end", _I8),
        ("valid", _F8, (EVIDENCE,)),
        ("evidence", _F8, (EVIDENCE,)),
        ("waiting", _WAITING_3),
        ("straddles", _I8),
        ("rpm", _F8),
        ("rpm_until", _I8),
        ("factor", _F8),
        ("fast", _I8),
        ("loaded_pulse", blow_counter.TALLY),
        ("low_pulse", blow_counter.TALLY),
        ("cusum", cusum.STATE),
        ("baseline", baseline.STATE),
        ("ramp_up", _RAMP_UP_3),
        ("blows", blow_counter.STATE),
        ("serviced", _I8),
        ("accumulator_onset", _I8),
    ]
)


def carry_over_3(record: Any) -> dict[str, Any]:
    """Return the fields of the current layout from a record of version 3."""
    narrow = {"waiting": WAITING, "ramp_up": ramp_up.STATE}
    fields = {name: value for name, value in carry_over_4(record).items() if name not in narrow}
    fields["long_windows"] = record["long_windows"] > 0
    fields["score"] = record["evidence"][_SCORE_3]
    for nested, layout in narrow.items():
        carried = np.zeros(1, layout)[0]
        for name in layout.names or ():
            carried[name] = (
                record[nested][name][:BOUT_NUMBERS] if name == "bout_numbers" else record[nested][name]
            )
        fields[nested] = carried
    fields["ramp_up"]["bouts"] = np.minimum(record["ramp_up"]["bouts"], ramp_up.MOST)
    return fields
