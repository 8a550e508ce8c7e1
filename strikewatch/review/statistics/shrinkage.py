"""Shrinkage estimates of rates: each operator's rate is shrunk towards the site's, the more so the fewer the hours.

Counts have a Poisson distribution, and the operators' true rates a gamma distribution that is fitted to all of them by
maximum marginal likelihood (Gaver, O'Muircheartaigh 1987, Technometrics 29:1). Taking the fitted gamma as certain would
make intervals far too narrow for few operators. So intervals average over all plausible gammas, weighted by their
probability (Kass, Steffey 1989, Journal of the American Statistical Association 84:717).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.review.statistics import poisson

SPREAD_POINTS: Final = 24
CENTRE_POINTS: Final = 15
TYPICAL_SPREAD: Final = 1.0
"""Median of the prior of the spread, which is the ratio of standard deviation to mean of the true rates (half-Cauchy;
Gelman 2006, Bayesian Analysis 1:515)."""
MIN_SPREAD: Final = 0.01
MAX_SPREAD: Final = 30.0
"""Bounds of the fitted spread. Below the lower bound, operators hardly differ."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Gamma distribution of rates per hour: `shape` (alpha) and `hours` (beta), with mean shape / hours."""

    shape: float
    hours: float

    def mean(self, count: Floats, hours: Floats) -> Floats:
        """Return the expected rates [n], given counts [n] over hours [n]."""
        return np.asarray((self.shape + count) / (self.hours + hours), float)


@dataclass(frozen=True, slots=True)
class ShrunkRates:
    """Shrunk rates per hour [n], with the limits of their intervals [n]."""

    rate: Floats
    lower: Floats
    upper: Floats


def fit(count: Floats, hours: Floats) -> Prior:
    """Fit the gamma of maximum marginal likelihood to counts [n], not all 0, over hours [n], all positive.

    If counts vary no more than by chance, the likelihood has no maximum, and the spread ends at MIN_SPREAD.
    """
    from scipy.optimize import minimize_scalar

    def cost(log_spread: float) -> float:
        spread = np.exp([log_spread])
        return -float(_likelihood(spread, _centres(spread, count, hours), count, hours)[0])

    best = minimize_scalar(
        cost, bounds=(np.log(MIN_SPREAD), np.log(MAX_SPREAD)), method="bounded", options={"xatol": 1e-9}
    )
    spread = np.exp([float(best.x)])
    shape = float(spread[0]) ** -2.0
    return Prior(shape, shape / float(_centres(spread, count, hours)[0]))


def shrink(
    count: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: float = 1.0
) -> ShrunkRates:
    """Return the shrunk rates of operators with counts [n] over hours [n], all positive.

    With one operator, or no faults, nothing is known of how rates vary: each operator's own rate is returned with its
    exact limits.
    """
    counted, worked = np.asarray(count, float) / dispersion, np.asarray(hours, float) / dispersion
    if len(counted) < 2 or not counted.any():
        lower, upper = poisson.rate_limits(count, hours, level, dispersion)
        return ShrunkRates(counted / worked, lower, upper)
    rate = fit(counted, worked).mean(counted, worked)
    weight, shape, gamma_hours = _gammas(counted, worked)
    means = (shape + counted) / (gamma_hours + worked)
    mean = (weight * means).sum(axis=0)
    variance = (weight * (means / (gamma_hours + worked) + (means - mean) ** 2)).sum(axis=0)
    lower, upper = _interval(mean, variance, level)
    return ShrunkRates(rate, np.minimum(lower, rate), np.maximum(upper, rate))


def _interval(mean: Floats, variance: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the limits of the gamma distribution with this mean and variance."""
    from scipy.special import gammaincinv

    scale = variance / mean
    tail = (1.0 - level) / 2.0
    return scale * gammaincinv(mean / scale, tail), scale * gammaincinv(mean / scale, 1.0 - tail)


def _gammas(count: Floats, hours: Floats) -> tuple[Floats, Floats, Floats]:
    """Return plausible gammas: the probability, shape and hours of each, each [m, 1]."""
    spread = TYPICAL_SPREAD * np.tan(np.pi / 2 * (np.arange(SPREAD_POINTS) + 0.5) / SPREAD_POINTS)
    spread = spread[(spread > MIN_SPREAD) & (spread < MAX_SPREAD)]
    width = np.sqrt(1.0 / count.sum() + spread**2 / len(count))
    offsets = np.linspace(-3.5, 3.5, CENTRE_POINTS)
    centre = (_centres(spread, count, hours)[:, None] * np.exp(width[:, None] * offsets)).ravel()
    spread, width = np.repeat(spread, CENTRE_POINTS), np.repeat(width, CENTRE_POINTS)
    likelihood = _likelihood(spread, centre, count, hours)
    weight = np.exp(likelihood - likelihood.max()) * width
    shape = spread**-2
    return (weight / weight.sum())[:, None], shape[:, None], (shape / centre)[:, None]


def _likelihood(spread: Floats, centre: Floats, count: Floats, hours: Floats) -> Floats:
    """Return the log marginal likelihood of gammas [m] by spread and mean, up to a constant."""
    from scipy.special import gammaln

    shape = spread[:, None] ** -2
    gamma_hours = shape / centre[:, None]
    terms = (
        gammaln(shape + count)
        - gammaln(shape)
        + shape * np.log(gamma_hours)
        - (shape + count) * np.log(gamma_hours + hours)
    )
    return np.asarray(terms.sum(axis=1), float)


def _centres(spread: Floats, count: Floats, hours: Floats) -> Floats:
    """Return, for each spread [m], the mean rate of maximum marginal likelihood.

    Where its derivative is zero, rates are weighted by 1 / (beta + hours).
    """
    shape = spread[:, None] ** -2
    centre = np.full((len(spread), 1), count.sum() / hours.sum())
    for _ in range(200):
        weight = 1.0 / (shape / centre + hours)
        improved = ((weight * count).sum(axis=1) / (weight * hours).sum(axis=1))[:, None]
        if (abs(improved - centre) <= 1e-12 * centre).all():
            break
        centre = improved
    return centre[:, 0]
