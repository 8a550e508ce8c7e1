"""The evidence of a suspicion of blank firing, and its score: the share of suspicions with such evidence that are
real.

The score is a logistic function of the evidence. The kind of feed is part of the evidence, as seen in the stream: the
time between samples; how far a sample lies from its neighbours (momentary values catch the pulse anywhere, means do
not); and whether engine speed is known. So a slow or noisy feed scores lower by as much as it errs more.

A hammer in the field differs from those that the weights were fitted to. How much less a score then means is measured
too: weights of one model of breakers, applied to the other, show by how much the log-odds must shrink
(`CALIBRATION`; more in a slow or noisy feed).

`WEIGHTS` and `CALIBRATION` are fitted by `python -m tests.physics.fit` to labelled shifts of two models of breakers
(`tests/physics`). Nothing was fitted to a third model, whose accuracy `guide/blank-firing.md` gives; but its accuracy
was known when the floor (`least_score`) was raised to 0.7.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing import baseline, blow_counter, cusum
from strikewatch.detectors.blank_firing.state import (
    END,
    LOW_LEVEL,
    MIDDLE,
    START,
    TERMS,
    WHOLE,
    bar,
    still_learning,
)
from strikewatch.detectors.kernels import EVIDENCE, part

LASTED: Final = 0
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
"""Places of numbers in the evidence, in the order of the fault's."""

AT_ONCE: Final = 0.85
"""A run with this score is raised while it continues. A weaker one is raised when it is over: evidence that has only
just reached the floor often falls below it again."""

CONFIRMED: Final = 1.0
OPEN: Final = 0.0
REFUTED: Final = -1.0
"""What the next bout showed of a suspicion that was deferred to it."""


@part
def terms(evidence: Any, values: Any) -> None:
    """Fill `values` [TERMS] with the terms of the weighted sum, from the evidence [EVIDENCE]."""
    fall = min(evidence[FALL], 0.6)
    apart = max(0.0, min(evidence[DEVIATIONS], 12.0))
    slow = math.log10(max(0.1, min(1.0, evidence[STEP] * 1e-9)) / 0.1)
    noisy = math.log(max(2.5, evidence[SPREAD]) / 2.5)
    samples = math.log(max(1.0, min(evidence[SAMPLES], 30.0)))
    whole = 1.0 if evidence[PLACE] == WHOLE else 0.0
    end = 1.0 if evidence[PLACE] == END else 0.0
    unknown_speed = 0.0 if evidence[SPEED_KNOWN] == 1.0 else 1.0
    has_own = evidence[OWN_FALL] == evidence[OWN_FALL]
    values[0] = 1.0
    values[1] = 10.0 * fall
    values[2] = apart
    values[3] = max(0.0, 3.0 - apart)
    values[4] = 1.0 if evidence[PLACE] == START else 0.0
    values[5] = whole
    values[6] = end
    values[7] = min(evidence[EARLIER], 3.0)
    values[8] = 1.0 if evidence[YOUNG] == 1.0 else 0.0
    values[9] = samples
    values[10] = slow
    values[11] = noisy
    values[12] = slow * noisy
    values[13] = slow * samples
    values[14] = noisy * samples
    values[15] = whole * unknown_speed
    values[16] = 1.0 if evidence[RESOLVED] == OPEN else 0.0
    values[17] = 1.0 if evidence[RESOLVED] == CONFIRMED else 0.0
    values[18] = 1.0 if has_own else 0.0
    values[19] = min(1.0, abs(math.log(max(0.03, fall) / (0.01 * evidence[OWN_FALL])))) if has_own else 0.0
    values[20] = slow if evidence[SAMPLES] <= 2.0 else 0.0
    values[21] = values[20] if whole + end == 0.0 else 0.0
    values[22] = math.log(max(1.0, evidence[LASTED] / 4e9))
    values[23] = values[22] * unknown_speed
    values[24] = values[21] * values[1]
    values[25] = whole * values[1]
    values[26] = max(0.0, 5.0 - apart)


# Printed by `python -m tests.physics.fit`. Blow rate is known in fast feeds only, and is not among the terms.
WEIGHTS: Final = (
    0.758,  # always
    1.19,  # fall, in tenths of the level
    0.135,  # deviations
    0.207,  # deviations missing to 3
    0.822,  # start of the bout
    -1.203,  # whole bout
    -0.158,  # end of the bout
    -0.585,  # earlier drops
    -1.087,  # level still learned
    -0.55,  # samples
    -0.696,  # slow
    0.512,  # noisy
    -0.037,  # slow and noisy
    -0.612,  # samples, slow
    0.598,  # samples, noisy
    -0.027,  # whole bout, engine speed not known
    -0.154,  # not confirmed
    0.572,  # confirmed by the next bout
    0.101,  # hammer has shown its fall
    -0.536,  # unlike its own fall
    -0.195,  # slow, two samples at most
    0.573,  # the same, inside the bout
    -1.999,  # longer than 4 s
    -0.409,  # the same, engine speed not known
    -1.05,  # slow, two samples at most, inside the bout: by the fall
    0.415,  # whole bout: by the fall
    -0.936,  # deviations missing to 5
)


CALIBRATION: Final = (0.819, -0.263, 0.013, 0.247)
"""Slope of the log-odds: always, slow, noisy; offset. Printed by the same fit."""


@part
def calibrated(log_odds: float, slow: float, noisy: float, calibration: Any) -> float:
    """Return log-odds as they hold for a hammer unlike those of the fit; `calibration`: CALIBRATION."""
    slope = calibration[0] + calibration[1] * slow + calibration[2] * noisy
    return max(0.1, slope) * log_odds + calibration[3]  # type: ignore[no-any-return]


@part
def score(evidence: Any, weights: Any) -> float:
    """Return how likely the run is blank, 0..1, from its evidence; `weights`: WEIGHTS, then CALIBRATION."""
    values = np.empty(TERMS)
    terms(evidence, values)
    log_odds = 0.0
    for k in range(TERMS):
        log_odds += weights[k] * values[k]
    slower = -0.01 * evidence[RATE]
    if slower == slower:
        # Hard rock lowers the level and raises the rate; a throttled pump lowers the rate by a tenth.
        log_odds += 12.0 * (max(-0.1, min(0.4, slower)) - 0.12)
    elif int(evidence[FEATURES]) & 8:
        log_odds += 2.0
    log_odds = calibrated(log_odds, values[10], values[11], weights[TERMS:])
    return 1.0 / (1.0 + math.exp(-log_odds))


@part
def run_level(state: Any) -> float:
    """Return the mean level of the run."""
    total = state.run_sum
    windows = state.run_n
    if state.segment == LOW_LEVEL:
        total += state.cusum.sum
        windows += state.cusum.n
    return total / max(windows, 1.0)  # type: ignore[no-any-return]


@part
def reference_level(state: Any) -> float:
    """Return the level that the run is compared with."""
    return state.bout_level if state.bout_level > 0.0 else state.baseline.level  # type: ignore[no-any-return]


@part
def rate_fall(state: Any) -> float:
    """Return by which share the blow rate is lower in the run than loaded; NaN if unknown."""
    loaded_hz = blow_counter.mean_rate(state.loaded_pulse)
    if loaded_hz != loaded_hz:
        loaded_hz = state.baseline.rate_hz if state.baseline.rate_hz > 0.0 else math.nan
    return 1.0 - blow_counter.mean_rate(state.low_pulse) / loaded_hz


@part
def pulse_fall(state: Any) -> float:
    """Return by which share the pulse, peak to peak, is narrower in the run than loaded; NaN if unknown."""
    wide = blow_counter.mean_spread(state.loaded_pulse)
    if wide != wide:
        wide = state.baseline.pulse_bar if state.baseline.pulse_bar > 0.0 else math.nan
    return 1.0 - blow_counter.mean_spread(state.low_pulse) / wide


@part
def pulses_stopped(state: Any) -> bool:
    """Tell whether the run has windows enough for a rate but nothing periodic, unlike when loaded."""
    beat = state.loaded_pulse.periods > 0 or state.baseline.rate_hz > 0.0
    return state.fast and beat and state.low_pulse.windows >= 8 and state.low_pulse.periods == 0  # type: ignore[no-any-return]


@part
def features(state: Any) -> int:
    """Return which features support the suspicion, added up: 1 level, 2 blow rate, 4 pulse, 8 pulses stopped."""
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
    """Return a fall in robust standard deviations: of windows and, at the start of a bout, also of bouts."""
    usual = max(state.baseline.sway, 1.25 * cusum.noise_share(state.cusum))
    if state.run == state.bout:
        usual = max(usual, 1.25 * state.baseline.spread)
    return fall / usual  # type: ignore[no-any-return]


@part
def evidence(state: Any, params: Any, place: int, numbers: Any) -> None:
    """Fill `numbers` [EVIDENCE] with the evidence of the run at a place of its bout."""
    level = run_level(state)
    loaded_level = reference_level(state)
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
    numbers[YOUNG] = 1.0 if still_learning(state, params) else math.nan
    numbers[FEATURES] = float(features(state))
    numbers[SAMPLES] = state.run_n + (state.cusum.n if state.segment == LOW_LEVEL else 0.0)
    numbers[STEP] = state.step
    numbers[SPREAD] = 125.0 * cusum.noise_share(state.cusum)
    numbers[EARLIER] = float(state.dips)
    numbers[SPEED_KNOWN] = 1.0 if state.rpm > 0.0 else math.nan
    numbers[OWN_FALL] = 100.0 * state.baseline.fall if state.baseline.falls > 0 else math.nan
    numbers[RESOLVED] = math.nan
    numbers[FALL] = fall
    numbers[SCORE] = score(numbers, params.weights)


@part
def can_show(state: Any, params: Any, lasted: int) -> bool:
    """Tell whether this feed would show the hammer's usual fall if it lasted this long, ns, inside a bout."""
    if state.fast or state.step == 0.0:
        return True
    numbers = np.full(EVIDENCE, math.nan)
    fall = state.baseline.fall if state.baseline.falls > 0 else baseline.FALL
    numbers[LASTED] = float(lasted)
    numbers[DEVIATIONS] = fall / max(state.baseline.sway, 1.25 * cusum.noise_share(state.cusum))
    numbers[PLACE] = MIDDLE
    numbers[FEATURES] = 1.0
    numbers[SAMPLES] = lasted / state.step
    numbers[STEP] = state.step
    numbers[SPREAD] = 125.0 * cusum.noise_share(state.cusum)
    numbers[EARLIER] = 0.0
    numbers[SPEED_KNOWN] = 1.0
    numbers[FALL] = fall
    return score(numbers, params.weights) >= params.least_score  # type: ignore[no-any-return]
