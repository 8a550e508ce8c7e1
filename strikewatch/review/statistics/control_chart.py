"""Limits of control charts of counts over equal (c chart) or unequal (u chart) exposure.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1. Its three-sigma limits suit large counts. A week of one
operator often has a small count; then chance alone exceeds the upper limit far more often than 1 in 741 weeks, and
the lower limit is below zero. The exact limits of a Poisson distribution avoid that: the lowest and highest counts
with the same tail probabilities as three sigma of a normal distribution.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats

Limits = Literal["exact", "three_sigma"]
LEVEL: Final = 0.9973002039367398
"""Probability within three sigma of a normal distribution."""
ROUNDING: Final = 1e-9
"""A count at a limit is within it, also after both were divided by the same hours."""


@dataclass(frozen=True, slots=True)
class ControlLimits:
    """Centre line and limits [n] per unit of exposure (NaN without exposure), and which points are beyond them."""

    centre: float
    lower: Floats
    upper: Floats
    signal: npt.NDArray[np.bool_]


def control_limits(
    count: Floats, exposure: Floats, limits: Limits = "exact", dispersion: float = 1.0
) -> ControlLimits:
    """Return the limits of a u chart of counts [n] over exposure [n]; with an exposure of 1, of a c chart."""
    worked = exposure > 0
    whole = float(exposure[worked].sum())
    centre = float(count[worked].sum()) / whole if whole else float("nan")
    if limits == "exact":
        lower, upper = _exact(centre, np.where(worked, exposure, np.nan), dispersion)
    else:
        three = 3.0 * np.sqrt(centre * dispersion / np.where(worked, exposure, np.nan))
        lower, upper = np.maximum(centre - three, 0.0), centre + three
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = count / exposure
    return ControlLimits(
        centre,
        lower,
        upper,
        worked & ((rate > upper + ROUNDING * centre) | (rate < lower - ROUNDING * centre)),
    )


def _exact(centre: float, exposure: Floats, dispersion: float) -> tuple[Floats, Floats]:
    """Return the rates [n] of the lowest and highest counts within, widened by the root of the dispersion."""
    from scipy.stats import poisson

    mean = centre * exposure
    tail = (1.0 - LEVEL) / 2.0
    apart = dispersion**0.5
    lower, upper = (mean + apart * (poisson.ppf(q, mean) - mean) for q in (tail, 1.0 - tail))
    return np.maximum(lower, 0.0) / exposure, upper / exposure
