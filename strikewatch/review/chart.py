"""Control charts of counts over equal (c chart) or unequal (u chart) exposure.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1. Its limits, three sigma from the mean, suit counts that are not
small; a week of one operator often has few, and then chance alone passes the upper one far more often than 1 in 741,
and the lower one is below zero. So exact limits of a Poisson are there as well, with the tails that three sigma
have in a normal distribution.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.model.batch import Floats
from strikewatch.review import funnel

Limits = Literal["exact", "three_sigma"]
LEVEL: Final = 0.9973002039367398
"""What three sigma hold of a normal distribution."""


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
        lower, upper = funnel.limits(np.full(len(count), centre), exposure, LEVEL, dispersion)
    else:
        three = 3.0 * np.sqrt(centre * dispersion / np.where(worked, exposure, np.nan))
        lower, upper = np.maximum(centre - three, 0.0), centre + three
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = count / exposure
    return Chart(centre, lower, upper, worked & ((rate > upper) | (rate < lower)))
