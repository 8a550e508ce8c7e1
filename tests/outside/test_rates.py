"""The statistics of the review against published worked examples, and against statsmodels."""

import numpy as np
import pytest
from scipy.stats import binom
from scipy.stats import poisson as scipy_poisson
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.stats import rates as reference
from statsmodels.stats.multitest import multipletests

from strikewatch.review.statistics import (
    comparisons,
    poisson,
    shrinkage,
    verdicts,
)
from strikewatch.review.statistics.comparisons import Counted, relative_change
from strikewatch.review.statistics.poisson import between_days
from strikewatch.review.statistics.verdicts import RateComparison

GARWOOD = {
    0: (0.0, 3.6889),
    1: (0.0253, 5.5716),
    2: (0.2422, 7.2247),
    3: (0.6187, 8.7673),
    5: (1.6235, 11.6683),
    10: (4.7954, 18.3904),
    20: (12.2165, 30.8884),
    25: (16.1787, 36.9049),
}
"""Garwood 1936, Biometrika 28:437: 95 % limits of a Poisson mean, by the count (16.18 and 36.90 for 25)."""


def test_poisson_limits_are_those_of_garwood() -> None:
    lower, upper = poisson.rate_limits(list(GARWOOD), np.ones(len(GARWOOD)))
    assert lower == pytest.approx([low for low, _ in GARWOOD.values()], abs=5e-5)
    assert upper == pytest.approx([high for _, high in GARWOOD.values()], abs=5e-5)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
@pytest.mark.parametrize("count", [1, 4, 17, 250])
def test_poisson_limits_are_those_of_statsmodels(count: int, level: float) -> None:
    low, high = reference.confint_poisson(count, 7.3, method="exact-c", alpha=1 - level)
    lower, upper = poisson.rate_limits([count], [7.3], level)
    assert (lower[0], upper[0]) == pytest.approx((low, high), rel=1e-9)


@pytest.mark.parametrize(("count", "dispersion"), [(1, 1.0), (3, 3.0), (5, 6.7)])
def test_the_hours_needed_give_limits_narrow_enough_to_show(count: int, dispersion: float) -> None:
    """After these hours, the exact limits of statsmodels are just narrow enough to be shown."""
    assert poisson.limit_kinds([count], [2.0], [dispersion]) == ["little"]
    (more_h,) = poisson.hours_needed([count], [2.0], [dispersion])
    enough = count * (2.0 + more_h) / 2.0 / dispersion
    low, high = reference.confint_poisson(enough, 1.0, method="exact-c")
    assert high / low == pytest.approx(poisson.MAX_LIMIT_RATIO, rel=1e-6)
    assert poisson.limit_kinds([enough * 1.01], [2.0], [1.0]) == ["exact"]


def test_the_minimum_expected_count_is_the_rule_of_three() -> None:
    """Hanley, Lippman-Hand 1983, JAMA 249:1743: none seen where 3 were to be expected has a probability of 5 %."""
    assert scipy_poisson.pmf(0, comparisons.MIN_EXPECTED) == pytest.approx(0.05, abs=3e-4)


@pytest.mark.parametrize(("count", "other"), [(3, 11), (0, 9), (44, 0)])
def test_the_expected_count_is_the_binomial_mean(count: int, other: int) -> None:
    """Przyborowski, Wilenski 1940, Biometrika 31:313: given the total, the own part is binomial by hours."""
    case = RateComparison(count, 0.9, other, 4.8, 1.0, "firing")
    assert case.expected(0.9) == pytest.approx(binom(count + other, 0.9 / 5.7).mean())


def test_comparing_two_rates_agrees_with_gu_and_others() -> None:
    """Gu, Ng, Tang, Schucany 2008, Biometrical Journal 50:283: 60 in 51477.5 against 30 in 54308.7 years."""
    found = poisson.compare_rates(60, 51477.5, 30, 54308.7)
    assert found.ratio == pytest.approx(2.1099975718, rel=1e-9)
    assert found.p == pytest.approx(0.000675182659, rel=1e-8)


def test_comparing_two_rates_agrees_with_the_manual_of_r() -> None:
    """`poisson.test(c(11, 6+8+7), c(800, 1083+1050+878))` in R's manual: p 0.07967, ratio 1.971488, 0.858426 to
    4.277266."""
    found = poisson.compare_rates(11, 800, 6 + 8 + 7, 1083 + 1050 + 878)
    assert found.p == pytest.approx(0.07967, abs=5e-6)
    assert (found.ratio, found.lower, found.upper) == pytest.approx((1.971488, 0.858426, 4.277266), abs=5e-7)


@pytest.mark.parametrize(
    ("count", "hours", "other", "other_hours"),
    [(3, 2.0, 11, 30.0), (0, 5.0, 9, 12.0), (40, 10.0, 210, 100.0), (1, 1.0, 1, 1.0)],
)
def test_comparing_two_rates_agrees_with_statsmodels(
    count: int, hours: float, other: int, other_hours: float
) -> None:
    expected = reference.test_poisson_2indep(count, hours, other, other_hours, method="exact-cond")
    assert poisson.compare_rates(count, hours, other, other_hours).p == pytest.approx(
        expected.pvalue, rel=1e-9
    )


def test_a_change_against_others_agrees_with_the_manual_of_r() -> None:
    """`fisher.test(Convictions)` in R's manual (twins of Fisher 1962): odds ratio 0.003325764 to 0.363182271.

    From memory. R looks for the limits to a tolerance of 1e-4.
    """
    twins = Counted(15, 1.0), Counted(2, 1.0), Counted(3, 1.0), Counted(10, 1.0)
    found = relative_change(*twins)
    assert (found.lower, found.upper) == pytest.approx((0.003325764, 0.363182271), rel=3e-3)
    assert found.ratio == pytest.approx(2 / 15 / (10 / 3))


@pytest.mark.parametrize("hours", [(10.0, 10.0, 60.0, 60.0), (40.0, 3.0, 200.0, 15.0)])
@pytest.mark.parametrize("true", [0.3, 1.0])
def test_a_change_against_others_is_covered_by_its_limits(hours: tuple[float, ...], true: float) -> None:
    """Exact limits hold in at least 95 % of all cases, also for few counts and where everybody's rate doubles."""
    random = np.random.default_rng(7)
    rates = np.array([1.0, 1.0 * true * 2.0, 0.5, 0.5 * 2.0])
    covered = 0
    for _ in range(150):
        counts = random.poisson(rates * np.array(hours))
        found = relative_change(*(Counted(int(n), h) for n, h in zip(counts, hours, strict=True)))
        covered += not (found.lower > true or found.upper < true)
    assert covered >= binom.ppf(1e-4, 150, 0.95)


CCU = "4 3 3 4 5 3 6 7 5 3 5 5 4 6 5 4 4 6 8 8"
WAFERS = "16 14 28 16 12 20 10 12 10 17 19 17 14 16 15 13 14 16 11 20 11 19 16 31 13"


def test_the_u_chart_is_that_of_nist() -> None:
    """NIST Dataplot, CCU.DAT: mean 2.118919, no signal."""
    defects = np.array(CCU.split(), float)
    sizes = np.repeat([2.0, 2.5, 2.25, 2.75], [6, 7, 5, 2])
    drawn = poisson.control_limits(defects, sizes, "three_sigma")
    assert drawn.centre == pytest.approx(2.118919, abs=5e-7)
    assert drawn.upper[[0, 6, 13, 18]] == pytest.approx([5.2068, 4.8808, 5.0302, 4.7523], abs=5e-5)
    assert not drawn.signal.any()


def test_the_c_chart_is_that_of_nist() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.1: mean 16, limits 4 and 28, wafer 24 beyond; and so it is by exact limits."""
    defects = np.array(WAFERS.split(), float)
    drawn = poisson.control_limits(defects, np.ones(25), "three_sigma")
    assert (drawn.centre, drawn.lower[0], drawn.upper[0]) == (16.0, 4.0, 28.0)
    assert np.flatnonzero(drawn.signal).tolist() == [23]
    exact = poisson.control_limits(defects, np.ones(25))
    assert np.flatnonzero(exact.signal).tolist() == [23]


FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22], float)
PUMP_HOURS = np.array([94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48])
"""Ten pumps, Gaver, O'Muircheartaigh 1987, Technometrics 29:1; time in thousands of hours."""


def test_shrinkage_of_ten_pumps_is_as_published() -> None:
    """Marginal maximum likelihood: alpha 0.822269, beta 1.258954, and the means that follow."""
    prior = shrinkage.fit(FAILURES, PUMP_HOURS)
    assert (prior.shape, prior.hours) == pytest.approx((0.822269, 1.258954), abs=2e-6)
    means = [0.0609, 0.1073, 0.0908, 0.1167, 0.5881, 0.6062, 0.7899, 0.7899, 1.4374, 1.9441]
    assert shrinkage.shrink(FAILURES, PUMP_HOURS).rate == pytest.approx(means, abs=5e-5)


def test_the_fit_to_ten_pumps_has_the_greatest_likelihood_by_scipy() -> None:
    """The same likelihood from scipy's negative binomial has no greater value anywhere around."""
    from scipy.stats import nbinom

    def likelihood(shape: float, hours: float) -> float:
        return float(nbinom.logpmf(FAILURES, shape, hours / (hours + PUMP_HOURS)).sum())

    prior = shrinkage.fit(FAILURES, PUMP_HOURS)
    best = likelihood(prior.shape, prior.hours)
    around = [(a, b) for a in (0.999, 1.0, 1.001) for b in (0.999, 1.0, 1.001) if (a, b) != (1.0, 1.0)]
    assert all(likelihood(prior.shape * a, prior.hours * b) < best for a, b in around)


def test_funnel_limits_are_those_of_spiegelhalter() -> None:
    """Spiegelhalter 2005, Statistics in Medicine 24:1185: observed to expected, 95 %, for 5, 10, 20 and 50."""
    lower, upper = poisson.prediction_limits(1.0, [5, 10, 20, 50])
    assert lower == pytest.approx([0.108, 0.378, 0.560, 0.722], abs=5e-4)
    assert upper == pytest.approx([1.875, 1.616, 1.437, 1.277], abs=5e-4)


def test_the_dispersion_is_that_of_statsmodels() -> None:
    """Pearson's statistic over degrees of freedom of a Poisson regression on operators, hours as exposure; every day
    has enough to expect that none are taken together."""
    random = np.random.default_rng(5)
    hours = random.uniform(3.0, 6.0, (4, 6))
    count = 2.0 * random.poisson([[1.0], [2.0], [3.0], [4.0]] * hours)
    operator = np.repeat(np.eye(4), 6, axis=0)
    fitted = GLM(count.ravel(), operator, family=Poisson(), exposure=hours.ravel()).fit()
    expected = fitted.pearson_chi2 / fitted.df_resid
    assert expected > 1.0
    assert between_days(zip(count, hours, strict=True)).value == pytest.approx(expected, rel=1e-6)


def test_holm_agrees_with_statsmodels() -> None:
    p = np.array([0.01, 0.04, 0.03, 0.005, 0.9, 0.011])
    assert verdicts.holm(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)
