"""What speaks for a run of low windows being blank: how far it fell, against what, and how long. What that is worth:
`score`."""

import math
from typing import Any

import numpy as np

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum
from strikewatch.detectors.blank_firing.score import (
    DEVIATIONS,
    EARLIER,
    FALL,
    FEATURES,
    LASTED,
    OWN_FALL,
    PLACE,
    RATE,
    RESOLVED,
    SAMPLES,
    SCORE,
    SPEED_KNOWN,
    SPREAD,
    STEP,
    YOUNG,
    score,
)
from strikewatch.detectors.blank_firing.state import LOW, MIDDLE, START, WHOLE, bar, young
from strikewatch.detectors.kernels import EVIDENCE, part


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
    loaded_hz = blow_counter.mean_rate(s.good_pulse)
    if loaded_hz != loaded_hz:
        loaded_hz = s.loaded.rate_hz if s.loaded.rate_hz > 0.0 else math.nan
    return 1.0 - blow_counter.mean_rate(s.low_pulse) / loaded_hz


@part
def pulse_fall(s: Any) -> float:
    """By which share the pulse, peak to peak, is narrower in the run than loaded; NaN where not known."""
    wide = blow_counter.mean_spread(s.good_pulse)
    if wide != wide:
        wide = s.loaded.pulse_bar if s.loaded.pulse_bar > 0.0 else math.nan
    return 1.0 - blow_counter.mean_spread(s.low_pulse) / wide


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
    usual = max(s.loaded.sway, 1.25 * cusum.noise_share(s.steps))
    if s.run == s.bout:
        usual = max(usual, 1.25 * s.loaded.spread)
    return fall / usual  # type: ignore[no-any-return]


@part
def evidence(s: Any, p: Any, place: int, x: Any) -> None:
    """Fill x [EVIDENCE] with the numbers of a finding, in the order of the fault's."""
    level = run_level(s)
    loaded_level = against(s)
    lasted = s.run_end - s.run
    hz = blow_counter.mean_rate(s.low_pulse)
    level_bar = bar(s, p, level)
    loaded_bar = bar(s, p, loaded_level)
    if place == START and not s.stepped:
        place = WHOLE
    fall = 1.0 - level / loaded_level
    x[LASTED] = float(lasted)
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
    x[SPREAD] = 125.0 * cusum.noise_share(s.steps)
    x[EARLIER] = float(s.swings)
    x[SPEED_KNOWN] = 1.0 if s.rpm > 0.0 else math.nan
    x[OWN_FALL] = 100.0 * s.loaded.fall if s.loaded.falls > 0 else math.nan
    x[RESOLVED] = math.nan
    x[FALL] = fall
    x[SCORE] = score(x, p.weights)


@part
def stands_out(s: Any, p: Any, lasted: int) -> bool:
    """Whether this feed would show the hammer's usual fall, where it lasted so long (ns) inside a bout."""
    if s.fast or s.step == 0.0:
        return True
    x = np.full(EVIDENCE, math.nan)
    fall = s.loaded.fall if s.loaded.falls > 0 else baseline.FALL
    x[LASTED] = float(lasted)
    x[DEVIATIONS] = fall / max(s.loaded.sway, 1.25 * cusum.noise_share(s.steps))
    x[PLACE] = MIDDLE
    x[FEATURES] = 1.0
    x[SAMPLES] = lasted / s.step
    x[STEP] = s.step
    x[SPREAD] = 125.0 * cusum.noise_share(s.steps)
    x[EARLIER] = 0.0
    x[SPEED_KNOWN] = 1.0
    x[FALL] = fall
    return score(x, p.weights) >= p.least_score  # type: ignore[no-any-return]
