"""What a suspicion of blank firing is worth: the share of suspicions with such evidence that are real.

A logistic function of the evidence. What kind of feed it is, is part of the evidence, as the stream showed it: the
time between samples, how far a sample lies from its neighbours (momentary values catch the pulse anywhere, means do
not), and whether engine speed was known. So a slow feed, or a noisy one, scores lower by as much as it errs more.

A hammer in the field is unlike those that the weights were fitted to. How much less a score then says is measured
too: weights of one model of breakers, applied to the other, show by how much the log-odds must shrink
(`CALIBRATION`; more in a slow or noisy feed).

`WEIGHTS` and `CALIBRATION` are fitted by `python -m tests.physics.fit` to labelled shifts of two models of breakers
(`tests/physics`). Nothing was fitted to a third model, whose figures `guide/blank-firing.md` gives; but its figures
were known when the floor (`least_score`) was raised to 0.7.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing.state import END, START, TERMS, WHOLE
from strikewatch.detectors.kernels import (
    part,
)

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
"""Places of numbers in the evidence of a suspicion."""

AT_ONCE: Final = 0.85
"""A run that scores so much is raised while it goes on. A weaker one is raised when it is over: evidence that has only
just reached the floor often falls below it again."""

BORNE_OUT: Final = 1.0
OPEN: Final = 0.0
REFUTED: Final = -1.0
"""What the next bout said of a suspicion that had to wait for it (`waiting`)."""


@part
def terms(evidence: Any, values: Any) -> None:
    """Fill f [TERMS] with what the score is a weighted sum of, from evidence x."""
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
    values[17] = 1.0 if evidence[RESOLVED] == BORNE_OUT else 0.0
    values[18] = 1.0 if has_own else 0.0
    values[19] = min(1.0, abs(math.log(max(0.03, fall) / (0.01 * evidence[OWN_FALL])))) if has_own else 0.0
    values[20] = slow if evidence[SAMPLES] <= 2.0 else 0.0
    values[21] = values[20] if whole + end == 0.0 else 0.0
    values[22] = math.log(max(1.0, evidence[LASTED] / 4e9))
    values[23] = values[22] * unknown_speed
    values[24] = values[21] * values[1]
    values[25] = whole * values[1]
    values[26] = max(0.0, 5.0 - apart)


# As `python -m tests.physics.fit` printed them. Blow rate, known in fast feeds only, is not among the terms.
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
"""Slope of the log-odds: always, slow, noisy; offset. As the fit printed it, too."""


@part
def calibrated(log_odds: float, slow: float, noisy: float, calibration: Any) -> float:
    """Log-odds z as they hold on a hammer unlike those of the fit; c: `CALIBRATION`."""
    slope = calibration[0] + calibration[1] * slow + calibration[2] * noisy
    return max(0.1, slope) * log_odds + calibration[3]  # type: ignore[no-any-return]


@part
def score(evidence: Any, weights: Any) -> float:
    """How likely the run is blank indeed, 0..1, by its evidence x; weights: `WEIGHTS`, then `CALIBRATION`."""
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
