"""Oil and greasing: viscosity, heat balance, forecast and interval, against standards and reference libraries."""

import math
from datetime import datetime

import numpy as np
import pytest
from chemicals.viscosity import viscosity_index
from scipy import stats

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.demo.machine import approach
from strikewatch.detectors import oil_heating
from strikewatch.detectors.hot_oil import WALTHER, OilGrade, viscosity_mm2_s
from strikewatch.detectors.tiles import UNIT
from tests.detectors.recorded import SITE, START, faults_of, records_by_fault, replayed, rows_of

BANDS = {"VG 32": (28.8, 35.2), "VG 46": (41.4, 50.6), "VG 68": (61.2, 74.8), "VG 100": (90.0, 110.0)}


@pytest.mark.parametrize("grade", BANDS)
def test_grades_lie_in_their_iso_3448_band(grade: OilGrade) -> None:
    """ISO 3448: kinematic viscosity at 40 degC within 10 % of the grade's number."""
    low, high = BANDS[grade]
    at_40 = viscosity_mm2_s(40.0, *WALTHER[grade])
    assert low <= at_40 <= high
    assert at_40 == pytest.approx(float(grade.split()[1]), rel=2e-3)


@pytest.mark.parametrize("grade", BANDS)
def test_grades_have_a_viscosity_index_of_100(grade: OilGrade) -> None:
    """ASTM D2270; reference library `chemicals`."""
    at_40, at_100 = (viscosity_mm2_s(t, *WALTHER[grade]) * 1e-6 for t in (40.0, 100.0))
    assert viscosity_index(at_40, at_100) == pytest.approx(100.0, abs=0.5)


@pytest.mark.parametrize(("grade", "at_80"), [("VG 32", 8.48), ("VG 46", 11.05), ("VG 68", 14.77)])
def test_viscosity_at_the_limit(grade: OilGrade, at_80: float) -> None:
    """ASTM D341 (equation from memory; figures computed with `chemicals`)."""
    assert viscosity_mm2_s(80.0, *WALTHER[grade]) == pytest.approx(at_80, abs=0.01)


def test_vg_46_in_the_cold() -> None:
    """ASTM D341: 134.5 mm2/s at 20 degC for 46 at 40 and 6.76 at 100 (computed with `chemicals`)."""
    assert viscosity_mm2_s(20.0, *WALTHER["VG 46"]) == pytest.approx(134.5, abs=0.1)


def test_student_points_are_those_of_nist_and_scipy() -> None:
    """NIST/SEMATECH e-Handbook 1.3.6.7.2; reference library scipy."""
    for freedom, value in enumerate(oil_heating.T_975, 1):
        assert value == pytest.approx(stats.t.ppf(0.975, freedom), abs=6e-5)


def test_the_line_is_least_squares() -> None:
    """Slope, value now, residuals and the rise of the prediction band against scipy's linregress, with gaps."""
    rng = np.random.default_rng(3)
    mean = 60.0 + 0.12 * np.arange(oil_heating.BINS) + rng.normal(0, 0.3, oil_heating.BINS)
    mean = np.round(mean / UNIT) * UNIT
    mean[[2, 7, 8, 20]] = np.nan
    x = np.arange(oil_heating.BINS) + 0.5 - oil_heating.BINS
    there = ~np.isnan(mean)
    fit = stats.linregress(x[there], mean[there])
    fixed = np.where(there, np.round(np.nan_to_num(mean) / UNIT), oil_heating.MISSING).astype(np.int32)
    now, slope, count, sxx, residuals, offset = oil_heating.line(fixed)
    n = int(there.sum())
    rss = float(((mean[there] - fit.intercept - fit.slope * x[there]) ** 2).sum())
    assert now == pytest.approx(fit.intercept, abs=1e-9)
    assert slope == pytest.approx(fit.slope, abs=1e-9)
    assert residuals == pytest.approx(rss, rel=1e-6)
    assert sxx == pytest.approx(((x[there] - x[there].mean()) ** 2).sum(), rel=1e-12)
    assert (count, offset) == (n, pytest.approx(-x[there].mean(), rel=1e-12))

    def width(distance: float) -> float:
        spread = stats.t.ppf(0.975, n - 2) * math.sqrt(rss / (n - 2))
        return float(spread * math.sqrt(1 + 1 / n + distance * distance / sxx))

    rise = (width(70.001) - width(69.999)) / 0.002
    assert oil_heating.least_rise(count, sxx, residuals, 70.0) == pytest.approx(rise, rel=1e-4)


def test_oil_heating_and_hot_oil_in_an_overheating_circuit() -> None:
    """Heat balance C dT/dt = P - UA (T - Ta): 12 kW into 150 L (870 kg/m3, 1900 J/kgK), 220 W/K, 30 degC outside ends
    at 84.5 degC with a time constant of 18.8 min (computed; a textbook first-order balance). It passes 80 degC at
    18.8 min x ln(54.5 / 4.5) = 46.9 min; the warning must come well before, the fault 5 s after."""
    n = 60 * 60 * 2
    t = np.arange(n) * 0.5
    capacity = 150e-3 * 870.0 * 1900.0
    final, constant_s = 30.0 + 12_000.0 / 220.0, capacity / 220.0
    assert final == pytest.approx(84.5, abs=0.05)
    assert constant_s / 60 == pytest.approx(18.8, abs=0.05)
    oil = np.array([approach(30.0, final, constant_s, at) for at in t.tolist()])
    passes_s = constant_s * math.log((final - 30.0) / (final - 80.0))
    rng = np.random.default_rng(1)
    records = records_by_fault(rows_of(n, 0.5, active=np.ones(n), oil_c=oil + rng.normal(0, 0.02, n)))
    (hot,) = records["hot_oil"]
    hot_s = _seconds(hot["onset"])
    assert passes_s < hot_s < passes_s + 30.0
    first = min(_seconds(record["onset"]) for record in records["oil_heating"])
    # The straight line runs ahead of the curve, so that it comes sooner than 10 min before.
    assert passes_s - 1200.0 < first < passes_s - 600.0


def _seconds(onset: object) -> float:
    return datetime.fromisoformat(str(onset)).timestamp() - START / 1e9


HOURS = 8
ROWS = rows_of(HOURS * 3600 + 1, 1.0, active=np.zeros(HOURS * 3600 + 1))


@pytest.mark.parametrize(
    ("greased_after_s", "overdue_after_s"),
    [
        # Four times in the shift, each just in time: never overdue.
        ([7199, 14398, 21597, 28796], []),
        # Three times, the second left out: overdue 2 h after the first.
        ([7199, 21597, 28796], [14399]),
        # Not once.
        ([], [7200]),
    ],
)
def test_grease_overdue_over_a_shift(greased_after_s: list[int], overdue_after_s: list[int]) -> None:
    events = [
        Event(SITE, "HB-01", "grease", START + s * SECOND, {"strokes": [12, 12], "method": "manual"})
        for s in greased_after_s
    ]
    records = replayed({"HB-01": ROWS}, {"HB-01": events}, faults_of({})).records
    overdue = [datetime.fromisoformat(r["onset"]) for r in records if r["fault"] == "grease_overdue"]
    assert [at.timestamp() - START / SECOND for at in overdue] == overdue_after_s
    assert not [r for r in records if r["fault"] == "grease_short"]


@pytest.mark.parametrize(
    ("strokes", "short"),
    [([10, 10], False), ([15, 15], False), ([12, 9], True), ([15], False), ([20], False), ([14], True)],
)
def test_grease_short_by_strokes(strokes: list[int], short: bool) -> None:
    """10 to 15 strokes to each of two nipples, 15 to 20 to a single one (common practice, no published source)."""
    event = Event(SITE, "HB-01", "grease", START + SECOND, {"strokes": strokes, "method": "manual"})
    records = replayed({"HB-01": rows_of(10)}, {"HB-01": [event]}, faults_of({})).records
    assert [r["fault"] for r in records] == (["grease_short"] if short else [])
