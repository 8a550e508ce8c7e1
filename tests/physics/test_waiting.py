"""Without engine speed the next bout decides whether the level fell with the throttle or with the load."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

import strikewatch

START = pd.Timestamp("2026-03-04T07:00:00Z")
LOADED, LOW = 140.0, 105.0


def table(bouts: list[tuple[float, float, float]], *, rpm: bool = False, end_s: float = 0.0) -> pd.DataFrame:
    """10 Hz means: 30 loaded bouts of 8 s, then each of `bouts`: (pause s, loaded s, low s), and a quiet end."""
    dice = np.random.default_rng(4)
    active, pressure = [], []
    for pause, loaded, low in [(4.0, 8.0, 0.0)] * 30 + bouts:
        for seconds, fires, bar in ((pause, False, 15.0), (loaded, True, LOADED), (low, True, LOW)):
            n = round(10 * seconds)
            active += [fires] * n
            pressure += [bar] * n
    quiet = round(10 * (end_s + 5.0))
    active += [False] * quiet
    pressure += [15.0] * quiet
    noisy = np.array(pressure) * (1 + 0.01 * dice.standard_normal(len(pressure)))
    frame = pd.DataFrame(
        {
            "time": START + pd.to_timedelta(np.arange(len(active)) * 100, unit="ms"),
            "hammer": "HB-01",
            "active": active,
            "pressure_bar": np.round(noisy, 1),
        }
    )
    return frame.assign(engine_rpm=1800.0) if rpm else frame


def found(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Blank-firing alerts."""
    alerts = strikewatch.replay(frame)
    return list(alerts[alerts["fault"] == "blank_firing"].to_dict("records"))


def test_the_next_bout_confirms() -> None:
    """At the loaded level again: the tool had slipped off. Onset and end are those of the run itself."""
    (alert,) = found(table([(4.0, 6.0, 3.0), (5.0, 8.0, 0.0)]))
    assert alert["evidence"]["borne_out"] == "by the next bout"
    onset, cleared = pd.Timestamp(alert["onset"]), pd.Timestamp(alert["cleared"])
    assert (cleared - onset).total_seconds() == pytest.approx(3.0, abs=0.2)
    assert (onset - START).total_seconds() == pytest.approx(30 * 12 + 10.0, abs=0.2)


def test_the_next_bout_refutes() -> None:
    """Still low, in the next bout and those after: the throttle was let down, and nothing is suspected."""
    assert found(table([(4.0, 6.0, 3.0), *[(5.0, 0.0, 8.0)] * 5])) == []


def test_with_engine_speed_nothing_waits() -> None:
    """The same fall is raised at once, before any other bout."""
    (alert,) = found(table([(4.0, 6.0, 3.0)], rpm=True))
    assert "borne_out" not in alert["evidence"]
    assert alert["evidence"]["engine_speed_known"] is True


def test_without_a_next_bout_it_is_raised_for_what_it_is_worth() -> None:
    """A minute later nothing has confirmed it, and it says so by its score; before, it still waits, and its bout is
    not lost."""
    long = found(table([(4.0, 6.0, 3.0)], end_s=70.0))
    (confirmed,) = found(table([(4.0, 6.0, 3.0), (5.0, 8.0, 0.0)]))
    for alert in long:
        assert alert["evidence"]["borne_out"] == "not yet"
        assert alert["evidence"]["score"] < confirmed["evidence"]["score"]
    waits = table([(4.0, 6.0, 3.0)], end_s=20.0)
    assert found(waits) == []
    bouts = strikewatch.bouts(waits)
    assert len(bouts) == 31
    assert bouts["firing_s"].iloc[-1] == pytest.approx(9.0, abs=0.2)


def test_a_long_one_is_high_when_it_is_confirmed() -> None:
    """6 s low: raised and high at once, the escalation stamped at its fifth second."""
    (alert,) = found(table([(4.0, 6.0, 6.0), (5.0, 8.0, 0.0)]))
    assert alert["priority"] == "high"
