"""What a suspicion of blank firing is worth: the share of suspicions with such evidence that are real.

A logistic function of the evidence. What kind of feed it is, is part of the evidence, as the stream showed it: the
time between samples, how far a sample lies from its neighbours (momentary values catch the pulse anywhere, means do
not), and whether engine speed was known. So a slow feed, or a noisy one, scores lower by as much as it errs more.

`WEIGHTS` are fitted by `python -m tests.physics.fit` to shifts with labels of two models of breakers
(`tests/physics`); a third model, on which nothing was fitted, gives the figures in `guide/blank-firing.md`.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.blank_firing.state import END, START, TERMS, WHOLE
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
"""Places of numbers in the evidence of a suspicion."""

BORNE_OUT: Final = 1.0
OPEN: Final = 0.0
REFUTED: Final = -1.0
"""What the next bout said of a suspicion that had to wait for it (`waiting`)."""


@part
def terms(x: Any, f: Any) -> None:
    """Fill f [TERMS] with what the score is a weighted sum of, from evidence x."""
    fall = min(x[FALL], 0.6)
    apart = max(0.0, min(x[DEVIATIONS], 12.0))
    slow = math.log10(max(0.1, min(1.0, x[STEP] * 1e-9)) / 0.1)
    noisy = math.log(max(2.5, x[SPREAD]) / 2.5)
    samples = math.log(max(1.0, min(x[SAMPLES], 30.0)))
    whole = 1.0 if x[PLACE] == WHOLE else 0.0
    end = 1.0 if x[PLACE] == END else 0.0
    unknown_speed = 0.0 if x[SPEED_KNOWN] == 1.0 else 1.0
    has_own = x[OWN_FALL] == x[OWN_FALL]
    f[0] = 1.0
    f[1] = 10.0 * fall
    f[2] = apart
    f[3] = max(0.0, 3.0 - apart)
    f[4] = 1.0 if x[PLACE] == START else 0.0
    f[5] = whole
    f[6] = end
    f[7] = min(x[EARLIER], 3.0)
    f[8] = 1.0 if x[YOUNG] == 1.0 else 0.0
    f[9] = samples
    f[10] = slow
    f[11] = noisy
    f[12] = slow * noisy
    f[13] = slow * samples
    f[14] = noisy * samples
    f[15] = whole * unknown_speed
    f[16] = 1.0 if x[RESOLVED] == OPEN else 0.0
    f[17] = 1.0 if x[RESOLVED] == BORNE_OUT else 0.0
    f[18] = 1.0 if has_own else 0.0
    f[19] = min(1.0, abs(math.log(max(0.03, fall) / (0.01 * x[OWN_FALL])))) if has_own else 0.0
    f[20] = slow if x[SAMPLES] <= 2.0 else 0.0
    f[21] = f[20] if whole + end == 0.0 else 0.0
    f[22] = math.log(max(1.0, x[LASTED] / 4e9))
    f[23] = f[22] * unknown_speed


# As `python -m tests.physics.fit` printed them. Blow rate, known in fast feeds only, is not among the terms.
WEIGHTS: Final = (
    0.043,  # always
    1.033,  # fall, in tenths of the level
    0.243,  # deviations
    -0.754,  # deviations missing to 3
    0.487,  # start of the bout
    -0.374,  # whole bout
    -0.713,  # end of the bout
    -1.178,  # earlier drops
    -1.147,  # level still learned
    -0.159,  # samples
    -0.352,  # slow
    -0.185,  # noisy
    0.386,  # slow and noisy
    -0.735,  # samples, slow
    0.716,  # samples, noisy
    0.43,  # whole bout, engine speed not known
    -0.841,  # not confirmed
    0.64,  # confirmed by the next bout
    -0.622,  # hammer has shown its fall
    -0.769,  # unlike its own fall
    0.182,  # slow, two samples at most
    -1.97,  # the same, inside the bout
    -1.943,  # longer than 4 s
    -1.169,  # the same, engine speed not known
)


@part
def score(x: Any, weights: Any) -> float:
    """How likely the run is blank indeed, 0..1, by its evidence x and `WEIGHTS`."""
    f = np.empty(TERMS)
    terms(x, f)
    z = 0.0
    for k in range(TERMS):
        z += weights[k] * f[k]
    slower = -0.01 * x[RATE]
    if slower == slower:
        # Hard rock lowers the level and raises the rate; a throttled pump lowers the rate by a tenth.
        z += 12.0 * (max(-0.1, min(0.4, slower)) - 0.12)
    elif int(x[FEATURES]) & 8:
        z += 2.0
    return 1.0 / (1.0 + math.exp(-z))
