"""The baseline of a hammer for `blank_firing`: the level of supply pressure when its tool is loaded, learned at work.

Each bout adds one number, the mean over its loaded part at a reference engine speed. The level follows robustly:
quickly while there are few bouts, slowly later. Another level that lasts over whole bouts is first remembered, and
replaces the level when the next bouts confirm it: then the pump has changed, not the load. Flow rises with engine
speed, and pressure with a power of the flow that is fitted to each hammer.

`accumulator_suspect`: the pulse of the loaded hammer has widened over many bouts, as with too little gas in the
accumulator. Seen in fast feeds only. The charge may be checked only by the manual's procedure and trained people.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import ramp_up
from strikewatch.detectors.blank_firing.cusum import ewma
from strikewatch.detectors.kernels import CLEARED, LOW, NEVER, RAISED, emit, part

ACCUMULATOR: Final = 1
"""Index of `accumulator_suspect` among the faults of `blank_firing`."""

BY_FLOW: Final = 1.5
"""Exponent of engine speed until a hammer has shown its own: 18 % less flow gives 26 % less pressure (lumped model, no
published source)."""
DOUBT: Final = 0.03
"""Weight of that exponent against the fitted one: the squared spread of bouts over that of the exponent."""
SURE: Final = 3.0
"""Windows that a higher level needs to be taken at once."""
SAME: Final = 0.08
"""Two bouts have the same level if they differ by less, share of the level."""
GIVE: Final = 0.005
"""A bout at another level lowers the level by at most this share of it."""
YOUNG: Final = 20
"""Bouts from which the first pulse is learned."""
SLOW: Final = 0.08
"""A bout moves an established level by this share of its distance."""

STATE: Final = np.dtype(
    [
        ("level", "<f8"),  # bar at the reference engine speed; 0: nothing learned
        ("spread", "<f8"),  # mean absolute deviation of bouts from it, share of the level
        ("sway", "<f8"),  # standard deviation within a bout of means over half a second, share of the level
        ("learned", "<i8"),  # ns of loaded firing that it was learned from
        ("bouts", "<i8"),
        ("fall", "<f8"),  # how far this hammer falls when it fires blank, share of the level
        ("falls", "<i8"),  # suspicions with a step inside the bout that it was learned from
        ("other_level", "<f8"),  # level of a whole bout, perhaps of a changed pump
        ("other_bouts", "<i8"),  # bouts in succession with that level
        ("rpm", "<f8"),  # reference engine speed; 0: none
        ("log_rpm", "<f8"),  # slow mean of log(rpm / reference)
        ("log_level", "<f8"),  # slow mean of log(level)
        ("square", "<f8"),  # moments about these means, for the exponent
        ("product", "<f8"),
        ("rate_hz", "<f8"),  # blow rate when loaded; 0: unknown
        ("pulse_bar", "<f8"),  # recent pulse when loaded, peak to peak; 0: unknown
        ("pulse_first", "<f8"),  # the same in the first bouts
        ("pulse_bouts", "<i8"),
    ]
)
FALL: Final = 0.24
"""The fall expected of a hammer that has not shown its own yet, share of the level."""


@part
def power(state: Any) -> float:
    """Return the exponent of engine speed in the pressure of this hammer."""
    fitted = (DOUBT * BY_FLOW + state.product) / (DOUBT + state.square)
    return max(0.5, min(2.5, fitted))  # type: ignore[no-any-return]


@part
def factor(state: Any, rpm: float) -> float:
    """Return the factor from a pressure at this engine speed to one at the reference speed."""
    if not rpm > 0.0 or state.rpm == 0.0:
        return 1.0
    return math.exp(-power(state) * math.log(rpm / state.rpm))


@part
def learn_power(state: Any, raw_bar: float, rpm: float) -> None:
    """Learn the exponent from a bout's loaded level and engine speed."""
    if state.rpm == 0.0:
        state.rpm = rpm
        state.log_level = math.log(raw_bar)
    rpm_off = math.log(rpm / state.rpm) - state.log_rpm
    level_off = math.log(raw_bar) - state.log_level
    state.log_rpm += 0.1 * rpm_off
    state.log_level += 0.1 * level_off
    # A bout whose level does not follow its speed says nothing about the exponent.
    if abs(level_off - BY_FLOW * rpm_off) < 0.15:
        state.square = ewma(state.square, 0.0, 0.01) + 0.9 * rpm_off * rpm_off
        state.product = ewma(state.product, 0.0, 0.01) + 0.9 * rpm_off * level_off


@part
def learn(state: Any, level: float, lasted: int, windows: float, least: float) -> None:
    """Learn the level from the loaded part of a bout: its level at the reference speed, its duration, ns, and
    windows."""
    if state.level > 0.0 and level > state.level * (1.0 + least) and windows < SURE:
        # One or two samples of a slow feed may be from another engine speed.
        return
    state.bouts += 1
    state.learned += lasted
    if state.level == 0.0:
        state.level = level
        state.spread = 0.03
        return
    change = level / state.level - 1.0
    if change > least:
        # A loaded hammer stays on this side of the level: one learned too low is replaced at once.
        state.other_level = state.level
        state.other_bouts = 1
        state.level = level
        return
    state.spread = ewma(
        state.spread, min(abs(change), 3.0 * max(state.spread, 0.01)), max(0.05, 1.0 / state.bouts)
    )
    state.level = ewma(state.level, level, max(SLOW, 1.0 / state.bouts))


@part
def replace_level(state: Any, level: float) -> None:
    """Replace the level, because the pump has changed."""
    state.level = level
    state.other_bouts = 0


@part
def learn_fall(state: Any, fall: float) -> None:
    """Learn how far this hammer falls, from a suspicion with a step inside its bout."""
    was = state.fall if state.falls else FALL
    state.falls += 1
    state.fall = ewma(was, min(0.95, max(0.1, fall)), 0.3)


@part
def note_other_level(state: Any, level: float) -> None:
    """Take a whole bout at another level.

    It counts for the spread of bouts. The level itself yields a little, as a median does.
    """
    change = abs(level / state.level - 1.0)
    state.spread = ewma(
        state.spread, min(change, 3.0 * max(state.spread, 0.01)), max(0.05, 1.0 / (state.bouts + 1))
    )
    state.level *= 1.0 - min(GIVE, change)
    if state.other_bouts and abs(level / state.other_level - 1.0) < SAME:
        state.other_bouts += 1
    else:
        state.other_bouts = 1
        state.other_level = level


@part
def learn_pulse(state: Any, rate_hz: float, pulse_bar: float) -> None:
    """Learn blow rate and pulse from a bout's loaded part."""
    state.pulse_bouts += 1
    gain = max(0.1, 1.0 / state.pulse_bouts)
    state.rate_hz = ewma(state.rate_hz, rate_hz, gain)
    state.pulse_bar = ewma(state.pulse_bar, pulse_bar, gain)
    if state.pulse_bouts <= YOUNG:
        state.pulse_first = state.pulse_bar


@part
def reset(state: Any) -> None:
    """Forget everything learned."""
    state.level = 0.0
    state.spread = 0.0
    state.sway = 0.0
    state.learned = 0
    state.bouts = 0
    state.fall = 0.0
    state.falls = 0
    state.other_bouts = 0
    state.rpm = 0.0
    state.log_rpm = 0.0
    state.square = 0.0
    state.product = 0.0
    state.rate_hz = 0.0
    state.pulse_bar = 0.0
    state.pulse_first = 0.0
    state.pulse_bouts = 0


@part
def learn_sway(state: Any, sway: float) -> None:
    """Learn how a bout's loaded level varied: by rock, engine, and a blow rate near a multiple of the sampling
    rate."""
    state.sway = sway if state.sway == 0.0 else ewma(state.sway, min(sway, 0.15), 0.25)


@part
def watch_accumulator(state: Any, params: Any, out: Any) -> None:
    """Raise or clear `accumulator_suspect` by the pulse of loaded bouts; `state` is that of `blank_firing`."""
    loaded = state.baseline
    ratio = loaded.pulse_bar / loaded.pulse_first
    evidence = (loaded.pulse_bar, loaded.pulse_first, ratio)
    at = state.fire_end
    if ratio < 1.0 + 0.6 * (params.wide - 1.0):
        state.accumulator_onset = emit(out, ACCUMULATOR, CLEARED, state.accumulator_onset, at, LOW, evidence)
    elif state.accumulator_onset == NEVER and loaded.pulse_bouts >= 2 * YOUNG and ratio >= params.wide:
        state.accumulator_onset = emit(out, ACCUMULATOR, RAISED, at, at, LOW, evidence)


@part
def relearn(state: Any, at: int, out: Any) -> None:
    """Forget what was learned of the hammer, because it was serviced; `state` is that of `blank_firing`."""
    loaded = state.baseline
    if state.accumulator_onset != NEVER:
        evidence = (loaded.pulse_bar, loaded.pulse_first, loaded.pulse_bar / loaded.pulse_first)
        state.accumulator_onset = emit(out, ACCUMULATOR, CLEARED, state.accumulator_onset, at, LOW, evidence)
    reset(loaded)
    ramp_up.reset(state.ramp_up)
    state.cusum.noise = 0.0
