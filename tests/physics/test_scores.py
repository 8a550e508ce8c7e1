"""Scores: what they are worth, how they are fitted, and suspicions that the next bout decides."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

import strikewatch
from strikewatch.core.batch import Batch, Rows
from strikewatch.detectors.blank_firing import score as scores
from strikewatch.detectors.blank_firing.state import END, MIDDLE
from strikewatch.detectors.kernels import EVIDENCE
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.physics import conductance, waveform
from tests.physics.feeds import feed
from tests.physics.fit import KEY, fitted, slope_of_two, suspicions
from tests.physics.score import Score, brier, calibration_error, score


def evidence(**given: float) -> np.ndarray:
    """Evidence of a plain drop in the middle of a bout at 10 Hz means, but for what is given."""
    x = np.full(EVIDENCE, np.nan)
    usual = {"FALL": 0.3, "DEVIATIONS": 8.0, "SAMPLES": 15.0, "STEP": 0.1e9, "SPREAD": 2.5, "EARLIER": 0.0}
    for name, value in {**usual, "PLACE": MIDDLE, "SPEED_KNOWN": 1.0, "FEATURES": 1.0, **given}.items():
        x[getattr(scores, name)] = value
    return x


def calibrated(x: np.ndarray) -> float:
    """Its score, by the weights as they stand."""
    total, slow, noisy = scores.weigh.py_func(x, scores.WEIGHTS)
    z = scores.calibrated.py_func(total, slow, noisy, scores.CALIBRATION)
    return float(1 / (1 + np.exp(-z)))


def test_slow_feeds_have_lower_scores() -> None:
    """The same drop is worth less where momentary values come once a second than where means come ten times."""
    plain = calibrated(evidence())
    slow = calibrated(evidence(SAMPLES=2.0, STEP=1e9, SPREAD=15.0, DEVIATIONS=1.9))
    assert plain > 0.95
    assert slow < 0.85


def test_a_suspicion_that_no_next_bout_confirms_scores_less() -> None:
    """Engine speed not known, low until the release: borne out it is worth more than not."""
    x = {"PLACE": END, "SPEED_KNOWN": np.nan, "FALL": 0.22}
    assert calibrated(evidence(**x, RESOLVED=scores.OPEN)) < calibrated(
        evidence(**x, RESOLVED=scores.CONFIRMED)
    )


@pytest.mark.parametrize("name", ["10Hz_mean", "1Hz_mean", "1Hz", "5Hz"])
@pytest.mark.parametrize("floor", [0.5, 0.8])
def test_nothing_scores_below_the_floor(name: str, floor: float) -> None:
    """Not even at its end, after what spoke for it has faded; and a lower floor shows more."""
    shown = lower = 0
    for seed in (3100, 3103):
        truth = conductance.shift(seed, 20.0)
        table = feed(truth, name)
        found = suspicions(table, floor)
        assert all(numbers[scores.SCORE] >= floor for _, _, numbers in found)
        assert all(onset <= cleared for onset, cleared, _ in found)
        shown += len(found)
        lower += len(suspicions(table, 0.05))
    assert lower >= shown


def test_scores_are_calibrated_on_a_model_they_were_not_fitted_to() -> None:
    """By kind of feed on the held-out model: F1, and scores that are not far from the share real.

    The bounds are loose, for so few spells scatter; `python -m tests.physics` has the figures.
    """
    names = ("10Hz_mean", "10Hz")
    totals = dict.fromkeys(names, Score())
    for seed in (3200, 3201, 3202, 3203, 3204, 3205):
        truth = waveform.shift(seed, 30.0)
        for name in names:
            found = suspicions(feed(truth, name), 0.7)
            totals[name] += score(
                truth,
                [one[:2] for one in found],
                [one[2][scores.SCORE] for one in found],
                counted_s=1.3,
            )
    for (name, total), least in zip(totals.items(), (0.9, 0.85), strict=True):
        assert total.f1 > least, (name, str(total))
        assert calibration_error(total.pairs, 1) < 0.12, (name, str(total))


def test_scores_of_1_hz_means_are_calibrated() -> None:
    """The slowest feed, on twelve hammers of the held-out model together, for six have too few spells."""
    total = Score()
    for seed in (*range(3000, 3006), *range(3200, 3206)):
        truth = waveform.shift(seed, 60.0)
        found = suspicions(feed(truth, "1Hz_mean"), 0.7)
        values = [one[2][scores.SCORE] for one in found]
        total += score(truth, [one[:2] for one in found], values, counted_s=3.0)
    assert len(total.pairs) > 50
    assert total.f1 > 0.65, str(total)  # of 24 spells that count
    assert calibration_error(total.pairs, 1) < 0.12, str(total)


def test_a_weak_suspicion_is_raised_when_its_run_is_over() -> None:
    """Row by row: what is raised while its run goes on scores at least `AT_ONCE`; the rest comes with its end."""
    table = feed(conductance.shift(3100, 20.0), "5Hz")
    core, reorderer = Pipeline(lambda _key: Faults().by_detector()), Reorderer("in_order")
    times = table["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()
    columns = {
        name: table[name].to_numpy(dtype=float) for name in table.columns if name not in ("time", "hammer")
    }
    rows = Rows(times, columns)
    at_once = later = 0
    for i in range(len(times)):
        result = core.step(Batch([reorderer.portion(KEY, reorderer.add_rows(KEY, rows[i : i + 1]))]))
        core.commit(result)
        blank = [one for one in result.findings if one.fault == "blank_firing"]
        ended = {one.onset for one in blank if one.step == "cleared"}
        for one in blank:
            if one.step == "raised" and one.onset in ended:
                later += 1
            elif one.step == "raised":
                at_once += 1
                assert one.numbers[scores.SCORE] >= scores.AT_ONCE
    assert at_once >= 3
    assert later >= 1


def test_the_calibration_shrinks_log_odds() -> None:
    """More in a slow feed; a score stays on its side of the offset, and the order of scores stays."""
    quick = [scores.calibrated.py_func(z, 0.0, 0.0, scores.CALIBRATION) for z in (-3.0, 0.0, 3.0)]
    slow = [scores.calibrated.py_func(z, 1.0, 0.0, scores.CALIBRATION) for z in (-3.0, 0.0, 3.0)]
    assert quick == sorted(quick)
    assert slow == sorted(slow)
    assert slow[2] - slow[0] < quick[2] - quick[0] < 6.0


def test_the_slope_of_two_models_by_hand() -> None:
    """Slope 0.5 of one model: 1 / sqrt(1 + 0.75 * 3) = 0.5547 of two; never more than 1."""
    assert slope_of_two(0.5) == pytest.approx(0.5547, abs=1e-4)
    assert slope_of_two(1.3) == 1.0


def test_brier_and_calibration_error_by_hand() -> None:
    """Two of score 0.8 and one of 0.3, of which one and none are real."""
    pairs = [(0.8, True), (0.8, False), (0.3, False)]
    assert brier(pairs) == pytest.approx((0.04 + 0.64 + 0.09) / 3)
    assert calibration_error(pairs) == pytest.approx((2 * 0.3 + 1 * 0.3) / 3)


def test_the_fit_finds_known_weights() -> None:
    """Logistic draws with known weights, 20,000 of them: found again within their scatter."""
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(20_000), rng.normal(size=(20_000, 2))])
    true = np.array([-0.5, 1.5, -0.7])
    real = (rng.random(20_000) < 1 / (1 + np.exp(-x @ true))).astype(float)
    assert fitted(x, real, np.ones(20_000), ridge=0.1) == pytest.approx(true, abs=0.08)


START = pd.Timestamp("2026-03-04T07:00:00Z")
LOADED, LOW = 140.0, 105.0


def feed_of_bouts(
    bouts: list[tuple[float, float, float]], *, rpm: bool = False, end_s: float = 0.0
) -> pd.DataFrame:
    """10 Hz means: 30 loaded bouts of 8 s, then each of `bouts`: (pause s, loaded s, low s), and a quiet end."""
    rng = np.random.default_rng(4)
    active, pressure = [], []
    for pause, loaded, low in [(4.0, 8.0, 0.0)] * 30 + bouts:
        for seconds, fires, bar in ((pause, False, 15.0), (loaded, True, LOADED), (low, True, LOW)):
            n = round(10 * seconds)
            active += [fires] * n
            pressure += [bar] * n
    quiet = round(10 * (end_s + 5.0))
    active += [False] * quiet
    pressure += [15.0] * quiet
    noisy = np.array(pressure) * (1 + 0.01 * rng.standard_normal(len(pressure)))
    frame = pd.DataFrame(
        {
            "time": START + pd.to_timedelta(np.arange(len(active)) * 100, unit="ms"),
            "hammer": "HB-01",
            "active": active,
            "pressure_bar": np.round(noisy, 1),
        }
    )
    return frame.assign(engine_rpm=1800.0) if rpm else frame


def blank_firing_alerts(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Blank-firing alerts."""
    alerts = strikewatch.replay(frame)
    return list(alerts[alerts["fault"] == "blank_firing"].to_dict("records"))


def test_a_loaded_next_bout_confirms_a_suspicion() -> None:
    """At the loaded level again: the tool had slipped off. Onset and end are those of the run itself."""
    (alert,) = blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 3.0), (5.0, 8.0, 0.0)]))
    assert alert["evidence"]["borne_out"] == "by the next bout"
    onset, cleared = pd.Timestamp(alert["onset"]), pd.Timestamp(alert["cleared"])
    assert (cleared - onset).total_seconds() == pytest.approx(3.0, abs=0.2)
    assert (onset - START).total_seconds() == pytest.approx(30 * 12 + 10.0, abs=0.2)


def test_a_low_next_bout_refutes_a_suspicion() -> None:
    """Still low, in the next bout and those after: the throttle was lowered, and nothing is suspected."""
    assert blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 3.0), *[(5.0, 0.0, 8.0)] * 5])) == []


def test_with_engine_speed_a_suspicion_is_raised_at_once() -> None:
    """The same fall is raised at once, before any other bout."""
    (alert,) = blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 3.0)], rpm=True))
    assert "borne_out" not in alert["evidence"]
    assert alert["evidence"]["engine_speed_known"] is True


def test_without_a_next_bout_a_suspicion_is_raised_with_a_lower_score() -> None:
    """It is raised a minute later. Until then it is deferred, and its bout is not lost."""
    long = blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 3.0)], end_s=70.0))
    (confirmed,) = blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 3.0), (5.0, 8.0, 0.0)]))
    for alert in long:
        assert alert["evidence"]["borne_out"] == "not yet"
        assert alert["evidence"]["score"] < confirmed["evidence"]["score"]
    waits = feed_of_bouts([(4.0, 6.0, 3.0)], end_s=20.0)
    assert blank_firing_alerts(waits) == []
    bouts = strikewatch.bouts(waits)
    assert len(bouts) == 31
    assert bouts["firing_s"].iloc[-1] == pytest.approx(9.0, abs=0.2)


def test_a_long_suspicion_is_high_when_confirmed() -> None:
    """6 s low: raised and high at once, the escalation stamped at its fifth second."""
    (alert,) = blank_firing_alerts(feed_of_bouts([(4.0, 6.0, 6.0), (5.0, 8.0, 0.0)]))
    assert alert["priority"] == "high"
