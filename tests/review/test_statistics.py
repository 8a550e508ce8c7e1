"""Properties of the review's statistics for any counts; and short forms of `python -m tests.long.fleets`, seeded."""

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson as scipys

from strikewatch.review.statistics import poisson, shrinkage, verdicts
from strikewatch.review.statistics.poisson import between_days
from tests.long.fleets.fleet import Fleet
from tests.long.fleets.score import score
from tests.profiles import examples

COUNTS = st.integers(0, 300)
HOURS = st.floats(0.01, 500.0)
DISPERSION = st.floats(1.0, 5.0)
PEOPLE = st.lists(st.tuples(st.integers(0, 60), st.floats(0.1, 60.0)), min_size=2, max_size=12)
P = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30)


@given(st.floats(0.05, 40.0), st.sampled_from([0.8, 0.95, 0.998]))
def test_limits_contain_the_true_rate_at_their_level(mean: float, level: float) -> None:
    """Summed over all possible counts, not sampled."""
    counts = np.arange(int(mean + 12 * math.sqrt(mean) + 30))
    lower, upper = poisson.rate_limits(counts, np.ones(len(counts)), level)
    within = (lower <= mean) & (mean <= upper)
    assert scipys.pmf(counts, mean)[within].sum() >= level - 1e-9


@given(COUNTS, HOURS, DISPERSION)
def test_limits_rise_with_the_count_and_widen_with_dispersion(
    count: int, hours: float, dispersion: float
) -> None:
    lower, upper = poisson.rate_limits([count, count + 1], [hours, hours])
    assert lower[0] < lower[1]
    assert upper[0] < upper[1]
    assert lower[0] <= count / hours < upper[0]
    low, high = poisson.rate_limits([count], [hours], dispersion=dispersion)
    assert low[0] <= lower[0] * (1 + 1e-9)
    assert high[0] >= upper[0] * (1 - 1e-9)


@given(COUNTS, HOURS, COUNTS, HOURS, st.one_of(st.just(1.0), DISPERSION))
def test_comparing_two_rates_is_symmetric(a: int, t: float, b: int, u: float, dispersion: float) -> None:
    ratio, inverse = (
        poisson.compare_rates(a, t, b, u, dispersion=dispersion),
        poisson.compare_rates(b, u, a, t, dispersion=dispersion),
    )
    assert ratio.p == pytest.approx(inverse.p, rel=1e-6, abs=1e-12)
    assert 0.0 <= ratio.p <= 1.0
    if a and b:
        assert ratio.ratio == pytest.approx(1 / inverse.ratio)
        assert (ratio.lower, ratio.upper) == pytest.approx((1 / inverse.upper, 1 / inverse.lower), rel=1e-6)
        assert ratio.lower < ratio.ratio < ratio.upper


@given(st.integers(0, 60), st.floats(0.5, 20), st.integers(1, 60), st.floats(0.5, 20), st.floats(1.01, 4))
def test_dispersion_never_lowers_p(a: int, t: float, b: int, u: float, dispersion: float) -> None:
    singly = poisson.compare_rates(a, t, b, u)
    clustered = poisson.compare_rates(a, t, b, u, dispersion=dispersion)
    assert clustered.lower <= singly.lower * (1 + 1e-9)
    assert clustered.upper >= singly.upper * (1 - 1e-9)
    if (
        singly.p > 0.05 / 4
    ):  # far out in a tail the two ways to count both tails differ by up to 2, but never so much
        assert clustered.p >= 0.05 / 4


@pytest.mark.parametrize("share", [0.02, 0.2, 0.6])
@pytest.mark.parametrize("total", [4, 30, 400])
def test_p_keeps_its_level(total: int, share: float) -> None:
    """With equal rates, p is at most 0.05 for at most 5 % of the possible splits of a total."""
    from scipy.stats import binom

    splits = np.arange(total + 1)
    p = np.array([poisson.compare_rates(k, share, total - k, 1 - share).p for k in splits.tolist()])
    for level in (0.01, 0.05, 0.2):
        assert binom.pmf(splits, total, share)[p <= level].sum() <= level + 1e-9


def test_miss_probability_equals_the_sum_over_all_splits() -> None:
    """Of 30 faults, an operator with a tenth of the hours and three times the others' rate: summed by hand."""
    from scipy.stats import binom

    lower = [k for k in range(31) if binom.sf(k - 1, 30, 0.1) > 0.025]
    assert poisson.miss_probability(30, 0.1, 3.0, 0.95) == pytest.approx(
        binom.pmf(lower, 30, 0.3 / 1.2).sum()
    )


@given(st.floats(0.01, 30.0), st.lists(st.floats(0.1, 100.0), min_size=2, max_size=8))
def test_funnel_narrows_with_hours_and_contains_the_sites_rate(rate: float, hours: list[float]) -> None:
    inner, outer = (
        poisson.prediction_limits(rate, hours),
        poisson.prediction_limits(rate, hours, 0.998),
    )
    assert (inner[0] <= rate + 1e-9).all()
    assert (inner[1] >= rate - 1e-9).all()
    assert (outer[0] <= inner[0] + 1e-9).all()
    assert (outer[1] >= inner[1] - 1e-9).all()
    wide = poisson.prediction_limits(rate, hours, dispersion=2.0)
    assert wide[1] - rate == pytest.approx(math.sqrt(2) * (inner[1] - rate), rel=1e-9, abs=1e-9)


@settings(max_examples=examples(30))
@given(PEOPLE, st.randoms(use_true_random=False))
def test_shrunk_rates_lie_between_own_and_common_rate(
    people: list[tuple[int, float]], random: Random
) -> None:  # type: ignore[no-untyped-def]
    count, hours = np.array(people, float).T
    found = shrinkage.shrink(count, hours)
    rates = count / hours
    assert (found.lower <= found.rate).all()
    assert (found.rate <= found.upper).all()
    if count.any():
        prior = shrinkage.fit(count, hours)
        common = prior.shape / prior.hours
        assert (found.rate >= np.minimum(rates, common) * (1 - 1e-9)).all()
        assert (found.rate <= np.maximum(rates, common) * (1 + 1e-9)).all()
    order = list(range(len(people)))
    random.shuffle(order)
    assert shrinkage.shrink(count[order], hours[order]).rate == pytest.approx(
        found.rate[order], rel=1e-4, abs=1e-9
    )


def test_one_bad_hour_does_not_give_the_highest_shrunk_rate() -> None:
    """Three in a first quarter of an hour, next to one with 60 in 10 hours and others with 2 an hour."""
    count, hours = np.array([3, 60, 40, 41, 38, 40.0]), np.array([0.25, 10, 20, 20, 20, 20.0])
    rate = shrinkage.shrink(count, hours).rate
    assert count[0] / hours[0] > count[1] / hours[1]
    assert rate.argmax() == 1


def test_one_operator_or_no_faults_are_not_shrunk() -> None:
    single_day = shrinkage.shrink([4.0], [2.0])
    assert (single_day.rate[0], single_day.lower[0], single_day.upper[0]) == pytest.approx(
        (2.0, 0.54493, 5.12079), abs=5e-5
    )
    none = shrinkage.shrink([0.0, 0.0], [1.0, 4.0])
    assert none.rate.tolist() == [0.0, 0.0]
    assert none.upper == pytest.approx([3.6889, 3.6889 / 4], abs=5e-5)


def test_equal_operators_have_the_common_rate() -> None:
    found = shrinkage.shrink([20, 20, 20, 20], [10, 10, 10, 10])
    assert found.rate == pytest.approx([2.0] * 4)
    assert (found.upper - found.lower > 0.5).all()


@given(P, st.randoms(use_true_random=False))
def test_correction_never_lowers_p_and_keeps_the_order(p: list[float], random: Random) -> None:
    values = np.array([*p, np.nan])
    corrected = verdicts.holm(values)
    assert np.isnan(corrected[-1])
    assert (corrected[:-1] >= values[:-1]).all()
    assert (corrected[:-1] <= 1).all()
    order = list(range(len(values)))
    random.shuffle(order)
    assert verdicts.holm(values[order])[np.argsort(order)] == pytest.approx(corrected, nan_ok=True)


def test_exact_control_limits_seldom_signal_without_change() -> None:
    """By exact limits around the true rate 0.27 % at most; three sigma above a mean of 2 is exceeded in 1.7 %."""
    sure = poisson.control_limits(np.array([0.0, 4.0]), np.ones(2))
    three = poisson.control_limits(np.array([0.0, 4.0]), np.ones(2), "three_sigma")
    assert scipys.sf(sure.upper[0], 2.0) <= 0.00135 < scipys.sf(sure.upper[0] - 1, 2.0)
    assert scipys.sf(three.upper[0], 2.0) > 0.004


def test_control_chart_has_no_limits_without_work() -> None:
    drawn = poisson.control_limits(np.array([3.0, 0.0, 5.0]), np.array([2.0, 0.0, 2.0]))
    assert drawn.centre == 2.0
    assert np.isnan(drawn.upper).tolist() == [False, True, False]
    assert not drawn.signal.any()


def test_dispersion_is_found_in_clusters_and_not_in_a_poisson_process() -> None:
    random = np.random.default_rng(3)
    hours = random.uniform(0.5, 4.0, (200, 10))
    rates = random.gamma(4.0, 0.25, (200, 1))
    single = between_days(zip(random.poisson(2 * rates * hours).astype(float), hours, strict=True))
    assert single.value < 1.1
    assert single.p > 0.01
    paired = between_days(zip(2.0 * random.poisson(rates * hours), hours, strict=True))
    assert paired.value == pytest.approx(2.0, abs=0.15)
    assert paired.p < 1e-6


def test_dispersion_test_keeps_its_level() -> None:
    """Of 800 sites whose faults are independent, about 5 % have a p below 0.05 (seeded)."""
    random = np.random.default_rng(4)
    p = [
        between_days((random.poisson(h).astype(float), h) for h in random.uniform(0.2, 4.0, (8, 5))).p
        for _ in range(800)
    ]
    assert 0.03 < np.mean(np.array(p) < 0.05) < 0.07


def test_dispersion_of_a_single_day_is_not_known() -> None:
    single_day = between_days([(np.array([7.0]), np.array([3.0]))])
    assert single_day.value == 1.0
    assert np.isnan(single_day.p)


@pytest.mark.parametrize("bad_days", [0.0, 0.5])
def test_hardly_a_review_singles_anyone_out_where_nobody_differs(bad_days: float) -> None:
    found = score(Fleet(6, 2.0, bad_days=bad_days), 20)
    assert found.singled <= 0.05
    assert found.limits >= 0.94
    assert (found.dispersion > 1.5) == (bad_days > 0)


def test_intervals_hold_the_true_rates() -> None:
    found = score(Fleet(8, 2.0, hours=(4.0, 40.0), spread=0.5), 12)
    assert 0.94 <= found.limits_often <= 0.98
    assert 0.91 <= found.shrunk <= 0.98


def test_three_times_the_rate_over_ten_hours_is_found() -> None:
    found = score(Fleet(8, 2.0, threefold=True), 12)
    assert found.found >= 0.8
    assert found.innocent <= 0.1
