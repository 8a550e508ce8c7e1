"""Limits of funnel plots and of control charts, exact for Poisson counts and widened by the root of the dispersion.

Funnel plots show prediction limits, not confidence limits: the site's rate is taken as known. They are interpolated
between whole counts so that the curves are smooth (Spiegelhalter 2005, Statistics in Medicine 24:1185).

Control charts are of counts over equal (c chart) or unequal (u chart) exposure (NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.3.1). Its three-sigma limits suit large counts. A week of one operator often has a small count; then chance
alone exceeds the upper limit far more often than 1 in 741 weeks, and the lower limit is below zero. The exact limits of
a Poisson distribution avoid that: the lowest and highest counts with the same tail probabilities as three sigma of a
normal distribution.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def prediction_limits(
    rate: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: npt.ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """Return the rates per hour [n] between which `level` of all predictions lie, for a site's rate and hours [n].

    NaN without hours or rate. Where almost no fault is expected, the upper limit is the rate itself.
    """
    worked = np.asarray(hours, float)
    expected = np.asarray(rate, float) * worked
    tail = (1.0 - level) / 2.0
    widening = np.sqrt(np.asarray(dispersion, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = expected + widening * (_quantile(tail, expected) - expected)
        upper = expected + widening * (_quantile(1.0 - tail, expected) - expected)
        lower, upper = np.maximum(lower, 0.0) / worked, np.maximum(upper, expected) / worked
    return np.where(worked > 0, lower, np.nan), np.where(worked > 0, upper, np.nan)


def _quantile(p: float, mean: Floats) -> Floats:
    """Return a quantile of a Poisson distribution, interpolated between whole counts; at least 0."""
    from scipy.stats import poisson

    count = np.asarray(poisson.ppf(p, mean), float)
    cumulative = poisson.cdf(count, mean)
    step = poisson.pmf(count, mean)
    return np.where(
        mean > 0, np.maximum(count - (cumulative - p) / step, 0.0), np.where(mean == 0, 0.0, np.nan)
    )


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
    total = float(exposure[worked].sum())
    centre = float(count[worked].sum()) / total if total else float("nan")
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
    widening = dispersion**0.5
    lower, upper = (mean + widening * (poisson.ppf(q, mean) - mean) for q in (tail, 1.0 - tail))
    return np.maximum(lower, 0.0) / exposure, upper / exposure
