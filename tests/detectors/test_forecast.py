"""The forecast of due items: an interval of days until a number of operating hours is worked.

Checked against scipy's Student t, against the case without spread, and by counting how often the interval contains the
true value for random days.
"""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

import strikewatch
from strikewatch.core.batch import NO_ROWS, Batch, Portion, Rows
from strikewatch.core.instant import SECOND
from strikewatch.detectors.maintenance import service_intervals
from strikewatch.detectors.maintenance.forecast import DAYS, LEAST, STUDENT, days_left
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults

HOUR = 3600 * SECOND
DAY = 24 * HOUR


def test_student_points_are_those_of_scipy() -> None:
    """To the digits printed in the table."""
    for freedom in range(1, DAYS):
        assert STUDENT[freedom] == pytest.approx(stats.t.ppf(0.975, freedom), abs=6e-5)


def test_equal_days_give_an_interval_without_width() -> None:
    assert days_left(np.full(DAYS, 8.0), DAYS, 80.0) == pytest.approx((10.0, 10.0))


def test_too_few_days_give_nan_and_no_use_gives_infinity() -> None:
    assert all(map(math.isnan, days_left(np.full(DAYS, 8.0), LEAST - 1, 80.0)))
    assert days_left(np.zeros(DAYS), DAYS, 80.0) == (math.inf, math.inf)


@given(
    st.lists(st.floats(0.5, 12.0), min_size=LEAST, max_size=DAYS),
    st.floats(1.0, 500.0),
)
def test_limits_solve_the_prediction_interval(days: list[float], remaining: float) -> None:
    """At each limit, the remaining hours are a limit of the prediction interval of the sum of so many days (root by
    scipy)."""
    n = len(days)
    work = np.array([*days, *[0.0] * (DAYS - n)])
    earliest, latest = days_left(work, n, remaining)
    mean, sd = np.mean(days), np.std(days, ddof=1)
    t = float(STUDENT[n - 1])

    def most(ahead: float) -> float:
        return float(mean * ahead + t * sd * math.sqrt(ahead + ahead**2 / n)) - remaining

    def least(ahead: float) -> float:
        return float(mean * ahead - t * sd * math.sqrt(ahead + ahead**2 / n)) - remaining

    assert earliest == pytest.approx(optimize.brentq(most, 0.0, 1e5), rel=1e-6)
    if math.isfinite(latest) and latest < 1e5:
        assert latest == pytest.approx(optimize.brentq(least, 1e-9 + earliest / 2, 1e6), rel=1e-4)
    elif not math.isfinite(latest):
        assert mean <= t * sd / math.sqrt(n) * (1 + 1e-6)


def test_the_95_percent_interval_contains_the_true_value_in_95_percent() -> None:
    dice = np.random.default_rng(20261125)
    contained, trials = 0, 2000
    for _ in range(trials):
        earliest, latest = days_left(dice.gamma(4.0, 2.0, DAYS), DAYS, 100.0)
        sums = np.cumsum(dice.gamma(4.0, 2.0, 100))
        k = int(np.searchsorted(sums, 100.0))
        before = sums[k - 1] if k else 0.0
        contained += bool(earliest <= k + (100.0 - before) / (sums[k] - before) <= latest)
    assert 0.93 <= contained / trials <= 0.97


def test_inspection_soon_and_the_page_show_the_same_days_left() -> None:
    """With six hours a day, 45 h are reached on the eighth day, and five hours are left."""
    faults = Faults.model_validate(
        {"upkeep": {f"inspection_{stage}_days": 100.0 for stage in ("soon", "due", "overdue")}}
    )
    pipeline = Pipeline(lambda _key: faults.by_detector())
    begin = pd.Timestamp("2026-03-02T00:00:00Z").value
    key = ("fennick-hollow", "HB-01")
    findings = []
    for day in range(8):
        hours = 6.0 if day < 7 else 3.0 + 10.0 / 3600
        times = begin + day * DAY + 8 * HOUR + np.arange(0, hours * HOUR + 1, 10 * SECOND).astype(np.int64)
        rows = Rows(times, {"active": np.zeros(len(times))})
        outcome = pipeline.step(Batch([Portion(key, rows, int(times[-1]))]))
        pipeline.commit(outcome)
        findings += [f for f in outcome.findings if f.fault.startswith("inspection")]
    (soon,) = findings
    evidence, sentence = soon.describe()
    assert soon.fault == "inspection_soon"
    assert evidence["since_inspection_h"] == 45.0
    # Six whole days of just six hours: 5 h are 0.8 days at that use.
    assert evidence["earliest_days_left"] == evidence["latest_days_left"] == pytest.approx(0.8)
    assert "45.0 operating hours" in sentence
    pipeline.commit(pipeline.step(Batch([Portion(key, NO_ROWS, int(times[-1]))])))
    inspection, service = service_intervals.due_items(
        pipeline.state_of(key)["upkeep"], service_intervals.Settings(), int(times[-1])
    )
    assert inspection.hours_left == pytest.approx(5.0, abs=0.01)
    assert inspection.stage == 1
    assert service.hours_left == pytest.approx(955.0, abs=0.01)
    assert service.earliest_days == pytest.approx(955.0 / 6.0, abs=0.05)


def test_a_lower_meter_reading_without_a_reason_is_a_fault_and_not_accepted() -> None:
    """With a reason it is accepted."""
    times = pd.date_range("2026-03-02T08:00:00Z", periods=721, freq="10s")
    samples = pd.DataFrame({"time": times, "hammer": "HB-01", "active": False})

    def event(minutes: float, meter_h: float, reason: str | None = None) -> dict[str, object]:
        return {
            "time": times[0] + pd.Timedelta(minutes=minutes),
            "hammer": "HB-01",
            "event": "hours",
            "meter_h": meter_h,
            "reason": reason,
        }

    events = pd.DataFrame([event(10, 500.0), event(60, 480.0), event(90, 480.0, "replaced")])
    found = strikewatch.replay(samples, events)
    backwards = found[found["fault"] == "hour_meter"]
    assert len(backwards) == 1
    (alert,) = backwards.to_dict("records")
    assert alert["evidence"] == {"stood_h": pytest.approx(500.8333, abs=1e-4), "told_h": 480.0}
    lasted = pd.Timestamp(alert["cleared"]) - pd.Timestamp(alert["onset"])
    assert lasted == pd.Timedelta(minutes=30)
    # The first reading may cover years, so nothing becomes due by it.
    assert not [fault for fault in found["fault"] if fault.startswith(("inspection", "service"))]
