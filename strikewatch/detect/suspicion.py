"""What speaks for a run of low windows being blank: how far it fell, against what, and what that is worth.

The score is a logistic function of what was seen, fitted to shifts of a physical model with labels
(`tests/physics`): of the suspicions that score 0.8, about 80 % are real there.
"""

import math
from typing import Any, Final

from strikewatch.detect import blows, steps, waiting
from strikewatch.detect.blank_state import END, FEW, LOW, START, WHOLE, bar, young
from strikewatch.detect.kernels import part

DEVIATIONS: Final = 5
RATE: Final = 6
SCORE: Final = 8
PLACE: Final = 9
YOUNG: Final = 10
FEATURES: Final = 11
SAMPLES: Final = 12
STEP: Final = 13
SPREAD: Final = 14
EARLIER: Final = 15
SPEED_KNOWN: Final = 16
OWN_FALL: Final = 17
RESOLVED: Final = 18
FALL: Final = 19
"""Places of numbers in the evidence."""
BORNE_OUT: Final = 1.0
OPEN: Final = 0.0
REFUTED: Final = -1.0
"""What the next bout said of a suspicion that had to wait for it (`waiting`)."""


@part
def run_level(s: Any) -> float:
    """Mean level of the run."""
    total = s.run_sum
    n = s.run_n
    if s.kind == LOW:
        total += s.steps.sum
        n += s.steps.n
    return total / max(n, 1.0)  # type: ignore[no-any-return]


@part
def against(s: Any) -> float:
    """The level that the run is held against."""
    return s.ref if s.ref > 0.0 else s.loaded.level  # type: ignore[no-any-return]


@part
def rate_fall(s: Any) -> float:
    """By which share the blow rate is lower in the run than loaded; NaN where either is not known."""
    loaded_hz = blows.mean_rate(s.good_pulse)
    if loaded_hz != loaded_hz:
        loaded_hz = s.loaded.rate_hz if s.loaded.rate_hz > 0.0 else math.nan
    return 1.0 - blows.mean_rate(s.low_pulse) / loaded_hz


@part
def pulse_fall(s: Any) -> float:
    """By which share the pulse, peak to peak, is narrower in the run than loaded; NaN where not known."""
    wide = blows.mean_spread(s.good_pulse)
    if wide != wide:
        wide = s.loaded.pulse_bar if s.loaded.pulse_bar > 0.0 else math.nan
    return 1.0 - blows.mean_spread(s.low_pulse) / wide


@part
def score(x: Any) -> float:
    """How likely the run is blank indeed, 0..1, by its evidence."""
    fall = x[FALL]
    apart = x[DEVIATIONS]
    few = x[STEP] > 0.15e9 and x[SPREAD] > 5.0
    z = (
        -4.9
        + 27.2 * min(fall, 0.6)
        + 0.385 * min(apart, 12.0)
        - 3.0 * max(0.0, (3.0 if few else 2.2) - apart)
    )
    if x[PLACE] == START:
        z += 2.5
    elif x[PLACE] == WHOLE:
        # The whole bout: the pump, or the rock, as well.
        z -= 0.5 if x[SPEED_KNOWN] == 1.0 else 1.3
    # Down and up again and again is no tool that slips: it is how this feed sways.
    z -= 1.5 * min(x[EARLIER], 3.0)
    if x[YOUNG] == 1.0:
        z -= 0.45
    slower = -0.01 * x[RATE]
    if slower == slower:
        # Hard rock lowers the level and raises the rate; a throttled pump lowers the rate by a tenth.
        z += 12.0 * (max(-0.1, min(0.4, slower)) - 0.12)
    elif int(x[FEATURES]) & 8:
        z += 2.0
    return 1.0 / (1.0 + math.exp(-z))


@part
def pulses_stopped(s: Any) -> bool:
    """Whether the run has windows enough for a rate, and nothing in them is periodic, as it was when loaded."""
    beat = s.good_pulse.periods > 0 or s.loaded.rate_hz > 0.0
    return s.fast and beat and s.low_pulse.windows >= 8 and s.low_pulse.periods == 0  # type: ignore[no-any-return]


@part
def features(s: Any) -> int:
    """Which features spoke, added up: 1 the level, 2 the blow rate, 4 the pulse, 8 pulses that stopped."""
    spoke = 1
    if rate_fall(s) >= 0.15:
        spoke += 2
    if pulse_fall(s) >= 0.2:
        spoke += 4
    if pulses_stopped(s):
        spoke += 8
    return spoke


@part
def deviations(s: Any, fall: float) -> float:
    """A fall in robust standard deviations: of windows and, where the bout began with it, of bouts."""
    usual = max(s.loaded.sway, 1.25 * steps.noise_share(s.steps))
    if s.run == s.bout:
        usual = max(usual, 1.25 * s.loaded.spread)
    return fall / usual  # type: ignore[no-any-return]


@part
def evidence(s: Any, p: Any, place: int, x: Any) -> None:
    """Fill x [EVIDENCE] with the numbers of a finding, in the order of the fault's."""
    level = run_level(s)
    loaded_level = against(s)
    lasted = s.run_end - s.run
    hz = blows.mean_rate(s.low_pulse)
    level_bar = bar(s, p, level)
    loaded_bar = bar(s, p, loaded_level)
    if place == START and not s.stepped:
        place = WHOLE
    fall = 1.0 - level / loaded_level
    x[0] = float(lasted)
    x[1] = hz * lasted * 1e-9 if s.fast else math.nan
    x[2] = level_bar
    x[3] = loaded_bar
    x[4] = 100.0 * (level_bar / loaded_bar - 1.0)
    x[DEVIATIONS] = deviations(s, fall)
    x[RATE] = -100.0 * rate_fall(s)
    x[7] = -100.0 * pulse_fall(s)
    x[PLACE] = float(place)
    x[YOUNG] = 1.0 if young(s, p) else math.nan
    x[FEATURES] = float(features(s))
    x[SAMPLES] = s.run_n + (s.steps.n if s.kind == LOW else 0.0)
    x[STEP] = s.step
    x[SPREAD] = 125.0 * steps.noise_share(s.steps)
    x[EARLIER] = float(s.swings)
    x[SPEED_KNOWN] = 1.0 if s.rpm > 0.0 else math.nan
    x[OWN_FALL] = 100.0 * s.loaded.fall if s.loaded.falls > 0 else math.nan
    x[RESOLVED] = math.nan
    x[FALL] = fall
    x[SCORE] = score(x)
