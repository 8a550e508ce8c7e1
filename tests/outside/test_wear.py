"""Trends of wear and lengths of life against published worked examples, statsmodels and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.regression.linear_model import OLS

from strikewatch.review.statistics.lifetimes import fit_trend, kaplan_meier

NORRIS = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 "
    "228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2",
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5",
)
"""NIST Statistical Reference Datasets, linear regression, Norris: 36 pairs, y then x (from memory; the certified
values below would not come of others)."""
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
"""Freireich et al. 1963, Blood 21:699: weeks of remission under 6-MP; + where it went on."""
SHARES = (0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448)
"""... and the shares in remission after 6, 7, 10, 13, 16, 22 and 23 weeks, as textbooks print them."""


def test_the_fitted_line_is_as_certified_by_nist() -> None:
    """B0 -0.262323073774029, B1 1.00211681802045, residual standard deviation 0.884796396144373."""
    y, x = (np.array([float(value) for value in text.split()]) for text in NORRIS)
    order = np.argsort(x, kind="stable")
    line = fit_trend(x[order].tolist(), y[order].tolist())
    assert line is not None
    assert line.n == 36
    assert line.slope_mm_h == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.at(0.0)[0] == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.spread_mm == pytest.approx(0.884796396144373, rel=1e-12)


@given(
    st.lists(
        st.tuples(st.integers(0, 2000), st.floats(80, 130).map(lambda value: round(value, 2))),
        min_size=3,
        max_size=12,
    ).filter(lambda pairs: len({hour for hour, _ in pairs}) > 1),
    st.floats(-500, 3000),
)
def test_the_interval_of_a_reading_is_that_of_statsmodels(
    pairs: list[tuple[int, float]], hour: float
) -> None:
    x, y = (np.array(each, float) for each in zip(*sorted(pairs), strict=True))
    line = fit_trend(x.tolist(), y.tolist())
    assert line is not None
    model = OLS(y, np.column_stack([np.ones_like(x), x])).fit()
    prediction = model.get_prediction([[1.0, hour]])
    low, high = prediction.conf_int(obs=True, alpha=0.05)[0]
    assert line.at(hour) == pytest.approx((prediction.predicted_mean[0], low, high), rel=1e-9, abs=1e-7)


def _read(text: str) -> tuple[list[float], list[bool]]:
    return [float(value.rstrip("+")) for value in text.split()], [
        not value.endswith("+") for value in text.split()
    ]


def test_survival_is_that_of_freireich_and_statsmodels() -> None:
    weeks, ended = _read(SIX_MP)
    found, reference = kaplan_meier(weeks, ended), SurvfuncRight(weeks, ended)
    assert found.hours.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert np.round(found.share, 3) == pytest.approx(SHARES, abs=5e-4)
    assert found.share == pytest.approx(reference.surv_prob, rel=1e-12)
    low, high = reference.quantile_ci(0.5, method="cloglog")
    assert found.median() == (23.0, float(low), None)
    assert high == np.inf
    # the variance behind the limits is Greenwood's
    spread = np.log(-np.log(found.lower)) - np.log(-np.log(found.share))
    greenwood = reference.surv_prob_se / (reference.surv_prob * np.abs(np.log(reference.surv_prob)))
    assert spread == pytest.approx(1.959963984540054 * greenwood, rel=1e-9)


@given(st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=40))
def test_survival_is_that_of_statsmodels(cases: list[tuple[int, bool]]) -> None:
    hours, ended = [float(value) for value, _ in cases], [done for _, done in cases]
    found = kaplan_meier(hours, ended)
    if not any(ended):
        assert len(found.hours) == 0
        assert found.median() == (None, None, None)
        return
    reference = SurvfuncRight(hours, ended)
    seen = reference.n_events > 0
    assert found.hours.tolist() == reference.surv_times[seen].tolist()
    assert found.share == pytest.approx(reference.surv_prob[seen], rel=1e-9, abs=1e-12)
