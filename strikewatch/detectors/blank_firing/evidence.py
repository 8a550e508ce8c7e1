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
from strikewatch.detectors.blank_firing.state import LOW_LEVEL, MIDDLE, START, WHOLE, bar, young
from strikewatch.detectors.kernels import (
    EVIDENCE,
    part,
)


@part
def run_level(state: Any) -> float:
    """Mean level of the run."""
    total = state.run_sum
    windows = state.run_n
    if state.kind == LOW_LEVEL:
        total += state.steps.sum
        windows += state.steps.n
    return total / max(windows, 1.0)  # type: ignore[no-any-return]


@part
def against(state: Any) -> float:
    """The level that the run is held against."""
    return state.ref if state.ref > 0.0 else state.loaded.level  # type: ignore[no-any-return]


@part
def rate_fall(state: Any) -> float:
    """By which share the blow rate is lower in the run than loaded; NaN where either is not known."""
    loaded_hz = blow_counter.mean_rate(state.good_pulse)
    if loaded_hz != loaded_hz:
        loaded_hz = state.loaded.rate_hz if state.loaded.rate_hz > 0.0 else math.nan
    return 1.0 - blow_counter.mean_rate(state.low_pulse) / loaded_hz


@part
def pulse_fall(state: Any) -> float:
    """By which share the pulse, peak to peak, is narrower in the run than loaded; NaN where not known."""
    wide = blow_counter.mean_spread(state.good_pulse)
    if wide != wide:
        wide = state.loaded.pulse_bar if state.loaded.pulse_bar > 0.0 else math.nan
    return 1.0 - blow_counter.mean_spread(state.low_pulse) / wide


@part
def pulses_stopped(state: Any) -> bool:
    """Whether the run has windows enough for a rate, and nothing in them is periodic, as it was when loaded."""
    beat = state.good_pulse.periods > 0 or state.loaded.rate_hz > 0.0
    return state.fast and beat and state.low_pulse.windows >= 8 and state.low_pulse.periods == 0  # type: ignore[no-any-return]


@part
def features(state: Any) -> int:
    """Which features spoke, added up: 1 the level, 2 the blow rate, 4 the pulse, 8 pulses that stopped."""
    spoke = 1
    if rate_fall(state) >= 0.15:
        spoke += 2
    if pulse_fall(state) >= 0.2:
        spoke += 4
    if pulses_stopped(state):
        spoke += 8
    return spoke


@part
def deviations(state: Any, fall: float) -> float:
    """A fall in robust standard deviations: of windows and, where the bout began with it, of bouts."""
    usual = max(state.loaded.sway, 1.25 * cusum.noise_share(state.steps))
    if state.run == state.bout:
        usual = max(usual, 1.25 * state.loaded.spread)
    return fall / usual  # type: ignore[no-any-return]


@part
def evidence(state: Any, params: Any, place: int, numbers: Any) -> None:
    """Fill x [EVIDENCE] with the numbers of a finding, in the order of the fault's."""
    level = run_level(state)
    loaded_level = against(state)
    lasted = state.run_end - state.run
    rate_hz = blow_counter.mean_rate(state.low_pulse)
    level_bar = bar(state, params, level)
    loaded_bar = bar(state, params, loaded_level)
    if place == START and not state.stepped:
        place = WHOLE
    fall = 1.0 - level / loaded_level
    numbers[LASTED] = float(lasted)
    numbers[1] = rate_hz * lasted * 1e-9 if state.fast else math.nan
    numbers[2] = level_bar
    numbers[3] = loaded_bar
    numbers[4] = 100.0 * (level_bar / loaded_bar - 1.0)
    numbers[DEVIATIONS] = deviations(state, fall)
    numbers[RATE] = -100.0 * rate_fall(state)
    numbers[7] = -100.0 * pulse_fall(state)
    numbers[PLACE] = float(place)
    numbers[YOUNG] = 1.0 if young(state, params) else math.nan
    numbers[FEATURES] = float(features(state))
    numbers[SAMPLES] = state.run_n + (state.steps.n if state.kind == LOW_LEVEL else 0.0)
    numbers[STEP] = state.step
    numbers[SPREAD] = 125.0 * cusum.noise_share(state.steps)
    numbers[EARLIER] = float(state.swings)
    numbers[SPEED_KNOWN] = 1.0 if state.rpm > 0.0 else math.nan
    numbers[OWN_FALL] = 100.0 * state.loaded.fall if state.loaded.falls > 0 else math.nan
    numbers[RESOLVED] = math.nan
    numbers[FALL] = fall
    numbers[SCORE] = score(numbers, params.weights)


@part
def stands_out(state: Any, params: Any, lasted: int) -> bool:
    """Whether this feed would show the hammer's usual fall, where it lasted so long (ns) inside a bout."""
    if state.fast or state.step == 0.0:
        return True
    numbers = np.full(EVIDENCE, math.nan)
    fall = state.loaded.fall if state.loaded.falls > 0 else baseline.FALL
    numbers[LASTED] = float(lasted)
    numbers[DEVIATIONS] = fall / max(state.loaded.sway, 1.25 * cusum.noise_share(state.steps))
    numbers[PLACE] = MIDDLE
    numbers[FEATURES] = 1.0
    numbers[SAMPLES] = lasted / state.step
    numbers[STEP] = state.step
    numbers[SPREAD] = 125.0 * cusum.noise_share(state.steps)
    numbers[EARLIER] = 0.0
    numbers[SPEED_KNOWN] = 1.0
    numbers[FALL] = fall
    return score(numbers, params.weights) >= params.least_score  # type: ignore[no-any-return]
