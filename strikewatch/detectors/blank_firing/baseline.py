"""The level of supply pressure that a hammer has when its tool is loaded: learned while it works, for
`blank_firing`.

One number a bout goes in, the mean over its loaded part at a reference engine speed. The level follows robustly:
quickly while it is young, slowly later. A level that lasts over whole bouts elsewhere is first put aside, and
taken over when the next bouts bear it out: then the pump has changed, not the load. Flow rises with engine speed
and pressure with flow, as a power of it that is fitted to each hammer.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing.cusum import ewma
from strikewatch.detectors.kernels import (
    part,
)

BY_FLOW: Final = 1.5
"""Pressure goes as this power of the engine speed until a hammer shows its own: 18 % less flow, 26 % less pressure
(lumped model, no published source)."""
DOUBT: Final = 0.03
"""Weight of that power against what is fitted: the squared spread of bouts over that of the power."""
SURE: Final = 3.0
"""Windows that a higher level needs to take over at once."""
SAME: Final = 0.08
"""Two bouts are at the same level when they differ by less, share of the level."""
GIVE: Final = 0.005
YOUNG: Final = 20
"""Bouts from which the first pulse is taken."""
SLOW: Final = 0.08
"""A bout moves an old level by this share of its distance."""

STATE: Final = np.dtype(
    [
        ("level", "<f8"),  # bar at the reference engine speed; 0 = nothing learned
        ("spread", "<f8"),  # mean absolute deviation of bouts from it, share of the level
        ("sway", "<f8"),  # standard deviation within a bout of means over half a second, share of the level
        ("learned", "<i8"),  # ns of loaded firing it was learned from
        ("bouts", "<i8"),
        ("fall", "<f8"),  # how far this hammer falls when struck blank, share of the level
        ("falls", "<i8"),  # suspicions with a step inside the bout it was learned from
        ("aside", "<f8"),  # a level that a whole bout had, and that may be a changed pump's
        ("asides", "<i8"),  # bouts in a row that had it
        ("rpm", "<f8"),  # reference engine speed, 0 = none
        ("log_rpm", "<f8"),  # slow means, and moments about them, for the power
        ("log_level", "<f8"),
        ("square", "<f8"),
        ("product", "<f8"),
        ("rate_hz", "<f8"),  # blow rate when loaded; 0 = not known
        ("pulse_bar", "<f8"),  # pulse when loaded, peak to peak, of late; 0 = not known
        ("pulse_first", "<f8"),  # the same while this level was young
        ("pulse_bouts", "<i8"),
    ]
)
FALL: Final = 0.24
"""The fall that is expected of a hammer that has not shown its own yet."""


@part
def power(state: Any) -> float:
    """How pressure goes with engine speed on this hammer."""
    fitted = (DOUBT * BY_FLOW + state.product) / (DOUBT + state.square)
    return max(0.5, min(2.5, fitted))  # type: ignore[no-any-return]


@part
def factor(state: Any, rpm: float) -> float:
    """What turns a pressure at this engine speed into one at the reference."""
    if not rpm > 0.0 or state.rpm == 0.0:
        return 1.0
    return math.exp(-power(state) * math.log(rpm / state.rpm))


@part
def learn_power(state: Any, raw_bar: float, rpm: float) -> None:
    """Take a bout's loaded level and engine speed into the fit of the power."""
    if state.rpm == 0.0:
        state.rpm = rpm
        state.log_level = math.log(raw_bar)
    rpm_off = math.log(rpm / state.rpm) - state.log_rpm
    level_off = math.log(raw_bar) - state.log_level
    state.log_rpm += 0.1 * rpm_off
    state.log_level += 0.1 * level_off
    # A bout whose level does not go with its speed at all says nothing of the power.
    if abs(level_off - BY_FLOW * rpm_off) < 0.15:
        state.square = ewma(state.square, 0.0, 0.01) + 0.9 * rpm_off * rpm_off
        state.product = ewma(state.product, 0.0, 0.01) + 0.9 * rpm_off * level_off


@part
def learn(state: Any, level: float, lasted: int, windows: float, least: float) -> None:
    """Take the loaded part of a bout: its level at the reference speed, how long it lasted, ns, and its windows."""
    if state.level > 0.0 and level > state.level * (1.0 + least) and windows < SURE:
        # One or two samples of a slow feed may have been taken at another engine speed.
        return
    state.bouts += 1
    state.learned += lasted
    if state.level == 0.0:
        state.level = level
        state.spread = 0.03
        return
    change = level / state.level - 1.0
    if change > least:
        # Loaded, a hammer is on the sound side for good: a level learned too low gives way at once.
        state.aside = state.level
        state.asides = 1
        state.level = level
        return
    state.spread = ewma(
        state.spread, min(abs(change), 3.0 * max(state.spread, 0.01)), max(0.05, 1.0 / state.bouts)
    )
    state.level = ewma(state.level, level, max(SLOW, 1.0 / state.bouts))


@part
def move(state: Any, level: float) -> None:
    """The pump has changed: this is the loaded level now."""
    state.level = level
    state.asides = 0


@part
def learn_fall(state: Any, fall: float) -> None:
    """A suspicion that a step inside its bout bears out shows how far this hammer falls."""
    was = state.fall if state.falls else FALL
    state.falls += 1
    state.fall = ewma(was, min(0.95, max(0.1, fall)), 0.3)


@part
def set_aside(state: Any, level: float) -> None:
    """A whole bout was at another level. That counts for the spread of bouts; the level itself gives way a little, as a
    median does, so that what happens often is the rule."""
    change = abs(level / state.level - 1.0)
    state.spread = ewma(
        state.spread, min(change, 3.0 * max(state.spread, 0.01)), max(0.05, 1.0 / (state.bouts + 1))
    )
    state.level *= 1.0 - min(GIVE, change)
    if state.asides and abs(level / state.aside - 1.0) < SAME:
        state.asides += 1
    else:
        state.asides = 1
        state.aside = level


@part
def learn_pulse(state: Any, rate_hz: float, pulse_bar: float) -> None:
    """Take the blow rate and the pulse of a bout's loaded part."""
    state.pulse_bouts += 1
    gain = max(0.1, 1.0 / state.pulse_bouts)
    state.rate_hz = ewma(state.rate_hz, rate_hz, gain)
    state.pulse_bar = ewma(state.pulse_bar, pulse_bar, gain)
    if state.pulse_bouts <= YOUNG:
        state.pulse_first = state.pulse_bar


@part
def forget(state: Any) -> None:
    """Begin to learn anew."""
    state.level = 0.0
    state.spread = 0.0
    state.sway = 0.0
    state.learned = 0
    state.bouts = 0
    state.fall = 0.0
    state.falls = 0
    state.asides = 0
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
    """Take how a bout's loaded level swayed: rock, engine, and a blow rate near a multiple of the sampling rate."""
    state.sway = sway if state.sway == 0.0 else ewma(state.sway, min(sway, 0.15), 0.25)
