"""Between which limits the rate of one that works like the site is to be expected, by hours worked.

Of prediction, not of confidence: the site's rate is taken as it is, and what is asked is how far chance carries a
count. Spiegelhalter 2005, Statistics in Medicine 24:1185: exact Poisson limits, interpolated between whole counts so
that the curves are smooth; with dispersion, drawn apart by its root.
"""

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def limits(
    rate: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: npt.ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """Rates per hour [n] between which so much of all predictions lies, for a site's `rate` and `hours` [n] of one.

    NaN where there are no hours or no rate. Where next to nothing is expected the upper limit is the rate itself.
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
    """A Poisson's quantile, interpolated below the whole one; not below 0."""
    from scipy.stats import poisson

    whole = np.asarray(poisson.ppf(p, mean), float)
    upto = poisson.cdf(whole, mean)
    step = poisson.pmf(whole, mean)
    return np.where(mean > 0, np.maximum(whole - (upto - p) / step, 0.0), np.where(mean == 0, 0.0, np.nan))
