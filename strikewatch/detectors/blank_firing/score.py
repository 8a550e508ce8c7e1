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
from strikewatch.detectors.kernels import part

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

MANY: Final = 30.0
"""More samples make a run no surer."""
LOG_MANY: Final = math.log(MANY)


@part
def weigh(evidence: Any, weights: Any) -> Any:
    """Return the weighted sum of the terms, from the evidence [EVIDENCE], and how slow and how noisy the feed is.

    A logarithm that is mostly zero is computed only where it is not.
    """
    fall = min(evidence[FALL], 0.6)
    apart = max(0.0, min(evidence[DEVIATIONS], 12.0))
    step_s = min(1.0, evidence[STEP] * 1e-9)
    slow = math.log10(step_s / 0.1) if step_s > 0.1 else 0.0
    noisy = math.log(evidence[SPREAD] / 2.5) if evidence[SPREAD] > 2.5 else 0.0
    samples = 0.0
    if evidence[SAMPLES] > 1.0:
        samples = math.log(evidence[SAMPLES]) if evidence[SAMPLES] < MANY else LOG_MANY
    longer = math.log(evidence[LASTED] / 4e9) if evidence[LASTED] > 4e9 else 0.0
    start = 1.0 if evidence[PLACE] == START else 0.0
    whole = 1.0 if evidence[PLACE] == WHOLE else 0.0
    end = 1.0 if evidence[PLACE] == END else 0.0
    unknown_speed = 0.0 if evidence[SPEED_KNOWN] == 1.0 else 1.0
    few = slow if evidence[SAMPLES] <= 2.0 else 0.0
    few_inside = few if whole + end == 0.0 else 0.0
    total = weights[0]
    total += weights[1] * (10.0 * fall)
    total += weights[2] * apart
    total += weights[3] * max(0.0, 3.0 - apart)
    total += weights[4] * start
    total += weights[5] * whole
    total += weights[6] * end
    total += weights[7] * min(evidence[EARLIER], 3.0)
    total += weights[8] * (1.0 if evidence[YOUNG] == 1.0 else 0.0)
    total += weights[9] * samples
    total += weights[10] * slow
    total += weights[11] * noisy
    total += weights[12] * (slow * noisy)
    total += weights[13] * (slow * samples)
    total += weights[14] * (noisy * samples)
    total += weights[15] * (whole * unknown_speed)
    total += weights[16] * (1.0 if evidence[RESOLVED] == OPEN else 0.0)
    total += weights[17] * (1.0 if evidence[RESOLVED] == CONFIRMED else 0.0)
    if evidence[OWN_FALL] == evidence[OWN_FALL]:
        total += weights[18]
        total += weights[19] * min(1.0, abs(math.log(max(0.03, fall) / (0.01 * evidence[OWN_FALL]))))
    total += weights[20] * few
    total += weights[21] * few_inside
    total += weights[22] * longer
    total += weights[23] * (longer * unknown_speed)
    total += weights[24] * (few_inside * (10.0 * fall))
    total += weights[25] * (whole * (10.0 * fall))
    total += weights[26] * max(0.0, 5.0 - apart)
    return total, slow, noisy


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
def log_odds(evidence: Any, weights: Any) -> float:
    """Return the log-odds that the run is blank, from its evidence; `weights`: WEIGHTS, then CALIBRATION."""
    total, slow, noisy = weigh(evidence, weights)
    slower = -0.01 * evidence[RATE]
    if slower == slower:
        # Hard rock lowers the level and raises the rate; a throttled pump lowers the rate by a tenth.
        total += 12.0 * (max(-0.1, min(0.4, slower)) - 0.12)
    elif int(evidence[FEATURES]) & 8:
        total += 2.0
    return calibrated(total, slow, noisy, weights[TERMS:])


@part
def score(evidence: Any, weights: Any) -> float:
    """Return how likely the run is blank, 0..1, from its evidence; `weights`: WEIGHTS, then CALIBRATION."""
    return 1.0 / (1.0 + math.exp(-log_odds(evidence, weights)))


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


def log_odds_of(score: float) -> float:
    """Return the log-odds of a score, 0..1."""
    return math.inf if score == 1.0 else math.log(score / (1.0 - score)) if score > 0.0 else -math.inf


@part
def can_show(state: Any, params: Any, lasted: int) -> bool:
    """Tell whether this feed would show the hammer's usual fall if it lasted this long, ns, inside a bout."""
    if state.fast or state.step == 0.0:
        return True
    fall = state.baseline.fall if state.baseline.falls > 0 else baseline.FALL
    noise = cusum.noise_share(state.cusum)
    unknown = math.nan
    evidence = (
        float(lasted),
        unknown,
        unknown,
        unknown,
        unknown,
        fall / max(state.baseline.sway, 1.25 * noise),  # DEVIATIONS
        unknown,
        unknown,
        unknown,
        float(MIDDLE),  # PLACE
        unknown,
        1.0,  # FEATURES
        lasted / state.step,  # SAMPLES
        state.step,  # STEP
        125.0 * noise,  # SPREAD
        0.0,  # EARLIER
        1.0,  # SPEED_KNOWN
        unknown,
        unknown,
        fall,  # FALL
    )
    return log_odds(evidence, params.weights) >= params.least_log_odds  # type: ignore[no-any-return]
