"""Limits of a funnel plot: the rates expected of an operator who works like the site, by hours worked.

They are prediction limits, not confidence limits: the site's rate is taken as known. Exact Poisson limits, interpolated
between whole counts so that the curves are smooth, and widened by the root of the dispersion (Spiegelhalter 2005,
Statistics in Medicine 24:1185).
"""

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
    apart = np.sqrt(np.asarray(dispersion, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = expected + apart * (_quantile(tail, expected) - expected)
        upper = expected + apart * (_quantile(1.0 - tail, expected) - expected)
        held = np.where(
            worked > 0, [np.maximum(lower, 0.0) / worked, np.maximum(upper, expected) / worked], np.nan
        )
    return held[0], held[1]


def _quantile(p: float, mean: Floats) -> Floats:
    """Return a quantile of a Poisson distribution, interpolated between whole counts; at least 0."""
    from scipy.stats import poisson

    whole = np.asarray(poisson.ppf(p, mean), float)
    upto = poisson.cdf(whole, mean)
    step = poisson.pmf(whole, mean)
    return np.where(mean > 0, np.maximum(whole - (upto - p) / step, 0.0), np.where(mean == 0, 0.0, np.nan))
