"""Control charts of counts over equal (c chart) or unequal (u chart) exposure.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1. Its limits, three sigma from the mean, suit counts that are
not small; a week of one operator often has few, and then chance alone passes the upper one far more often than 1 in
741, and the lower one is below zero. So exact limits of a Poisson are there as well: the lowest and the highest count
outside of which lies no more than outside of three sigma in a normal distribution.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats

Limits = Literal["exact", "three_sigma"]
LEVEL: Final = 0.9973002039367398
"""What three sigma hold of a normal distribution."""
ROUNDING: Final = 1e-9
"""A count at a limit is within, also where count and limit were divided by the same hours."""


@dataclass(frozen=True, slots=True)
class Chart:
    """`centre` and limits [n] per unit of exposure, NaN where there is none, and which points are beyond the limits."""

    centre: float
    lower: Floats
    upper: Floats
    signal: npt.NDArray[np.bool_]


def chart(count: Floats, exposure: Floats, limits: Limits = "exact", dispersion: float = 1.0) -> Chart:
    """A chart of counts [n] over exposure [n]: a u chart; with the exposure 1 throughout, a c chart."""
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
    return Chart(
        centre,
        lower,
        upper,
        worked & ((rate > upper + ROUNDING * centre) | (rate < lower - ROUNDING * centre)),
    )


def _exact(centre: float, exposure: Floats, dispersion: float) -> tuple[Floats, Floats]:
    """Rates [n] of the lowest and highest counts within, drawn apart by the root of the dispersion."""
    from scipy.stats import poisson

    mean = centre * exposure
    tail = (1.0 - LEVEL) / 2.0
    apart = dispersion**0.5
    lower, upper = (mean + apart * (poisson.ppf(q, mean) - mean) for q in (tail, 1.0 - tail))
    return np.maximum(lower, 0.0) / exposure, upper / exposure
