"""Probable rates: each operator's own, drawn towards the site's the more, the less was worked.

Counts are Poisson, the operators' true rates a gamma distribution that is itself fitted to all of them by maximum
marginal likelihood (Gaver, O'Muircheartaigh 1987, Technometrics 29:1). That alone would take the fitted gamma for
certain, and with few operators make intervals far too narrow; so intervals go over all gammas that might be, each by
how probable it is (Kass, Steffey 1989, Journal of the American Statistical Association 84:717).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.review.statistics import poisson

SPREADS: Final = 24
PLACES: Final = 15
USUAL: Final = 1.0
"""Half of the spreads that might be are below this: standard deviation of true rates to their mean (half-Cauchy;
Gelman 2006, Bayesian Analysis 1:515)."""
LEAST: Final = 0.01
MOST: Final = 30.0
"""Spreads between which the fitted one is looked for. Below, operators are as good as alike."""


@dataclass(frozen=True, slots=True)
class Prior:
    """A gamma of rates per hour: `shape` (alpha) and `hours` (beta), mean shape / hours."""

    shape: float
    hours: float

    def mean(self, count: Floats, hours: Floats) -> Floats:
        """The expected rates [n] of those with these counts [n] over hours [n]."""
        return np.asarray((self.shape + count) / (self.hours + hours), float)


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Probable rates per hour [n], with the limits of their intervals [n]."""

    rate: Floats
    lower: Floats
    upper: Floats


def fit(count: Floats, hours: Floats) -> Prior:
    """The gamma of greatest marginal likelihood, for counts [n] over hours [n], not all counts 0, all hours positive.

    Where counts vary no more than chance makes them, its shape has no greatest value; it ends at spread LEAST then.
    """
    from scipy.optimize import minimize_scalar

    def cost(log_spread: float) -> float:
        spread = np.exp([log_spread])
        return -float(_likelihood(spread, _centres(spread, count, hours), count, hours)[0])

    best = minimize_scalar(
        cost, bounds=(np.log(LEAST), np.log(MOST)), method="bounded", options={"xatol": 1e-9}
    )
    spread = np.exp([float(best.x)])
    shape = float(spread[0]) ** -2.0
    return Prior(shape, shape / float(_centres(spread, count, hours)[0]))


def shrink(
    count: npt.ArrayLike, hours: npt.ArrayLike, level: float = 0.95, dispersion: float = 1.0
) -> Shrunk:
    """Probable rates of operators with counts [n] over hours [n], all positive.

    Of one operator, or where nobody has a fault, nothing is known of how rates vary: there each has the own rate with
    its exact limits.
    """
    seen, worked = np.asarray(count, float) / dispersion, np.asarray(hours, float) / dispersion
    if len(seen) < 2 or not seen.any():
        lower, upper = poisson.limits(count, hours, level, dispersion)
        return Shrunk(seen / worked, lower, upper)
    rate = fit(seen, worked).mean(seen, worked)
    weight, shape, per = _gammas(seen, worked)
    means = (shape + seen) / (per + worked)
    mean = (weight * means).sum(axis=0)
    variance = (weight * (means / (per + worked) + (means - mean) ** 2)).sum(axis=0)
    lower, upper = _interval(mean, variance, level)
    return Shrunk(rate, np.minimum(lower, rate), np.maximum(upper, rate))


def _interval(mean: Floats, variance: Floats, level: float) -> tuple[Floats, Floats]:
    """Limits of the gamma of that mean and variance."""
    from scipy.special import gammaincinv

    scale = variance / mean
    tail = (1.0 - level) / 2.0
    return scale * gammaincinv(mean / scale, tail), scale * gammaincinv(mean / scale, 1.0 - tail)


def _gammas(count: Floats, hours: Floats) -> tuple[Floats, Floats, Floats]:
    """Gammas that might be: how probable each is, its shape and hours, each [m, 1]."""
    spread = USUAL * np.tan(np.pi / 2 * (np.arange(SPREADS) + 0.5) / SPREADS)
    spread = spread[(spread > LEAST) & (spread < MOST)]
    width = np.sqrt(1.0 / count.sum() + spread**2 / len(count))
    place = np.linspace(-3.5, 3.5, PLACES)
    centre = (_centres(spread, count, hours)[:, None] * np.exp(width[:, None] * place)).ravel()
    spread, width = np.repeat(spread, PLACES), np.repeat(width, PLACES)
    likelihood = _likelihood(spread, centre, count, hours)
    weight = np.exp(likelihood - likelihood.max()) * width
    shape = spread**-2
    return (weight / weight.sum())[:, None], shape[:, None], (shape / centre)[:, None]


def _likelihood(spread: Floats, centre: Floats, count: Floats, hours: Floats) -> Floats:
    """Logarithm of the marginal likelihood of gammas [m] by spread and mean, up to a constant."""
    from scipy.special import gammaln

    shape = spread[:, None] ** -2
    per = shape / centre[:, None]
    each = (
        gammaln(shape + count) - gammaln(shape) + shape * np.log(per) - (shape + count) * np.log(per + hours)
    )
    return np.asarray(each.sum(axis=1), float)


def _centres(spread: Floats, count: Floats, hours: Floats) -> Floats:
    """For each spread [m] the mean rate of greatest marginal likelihood: where its derivative is zero, rates are
    weighed by 1 / (beta + hours)."""
    shape = spread[:, None] ** -2
    centre = np.full((len(spread), 1), count.sum() / hours.sum())
    for _ in range(200):
        weight = 1.0 / (shape / centre + hours)
        better = ((weight * count).sum(axis=1) / (weight * hours).sum(axis=1))[:, None]
        if (abs(better - centre) <= 1e-12 * centre).all():
            break
        centre = better
    return centre[:, 0]
