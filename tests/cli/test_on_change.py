"""Replay of recordings in which a channel stands only where it changed."""

import numpy as np
import pandas as pd
import pytest

import strikewatch
from strikewatch.errors import SettingsError

START = pd.Timestamp("2026-03-04T07:15:00Z")
HELD = {"faults": {"on_change": {"hold_s": {"active": 600.0}}}}


def recording(every_s: float) -> pd.DataFrame:
    """40 s of firing in one spot, told by two rows, and a pressure every so often."""
    changes = pd.DataFrame({"time": [START, START + pd.Timedelta(seconds=40.125)], "active": [True, False]})
    steps = np.arange(0, 90, every_s)
    pressure = pd.DataFrame({"time": START + pd.to_timedelta(steps, unit="s"), "pressure_bar": 150.0})
    return pd.concat([changes, pressure]).sort_values("time", kind="stable").assign(hammer="HB-01")


@pytest.mark.parametrize("every_s", [0.7, 5.0, 45.0])
def test_firing_is_found_with_its_exact_onset_and_end(every_s: float) -> None:
    """The changes and the pressure share an instant at the start, and the hammer's own table does the same."""
    samples = recording(every_s)
    assert len(strikewatch.replay(samples)) == 0
    for settings in (HELD, {"hammers": {"HB-01": HELD["faults"]}}):
        [alert] = strikewatch.replay(samples, settings=settings).to_dict("records")
        assert (alert["fault"], alert["onset"], alert["cleared"]) == (
            "same_spot",
            pd.Timestamp("2026-03-04T07:15:15Z"),
            pd.Timestamp("2026-03-04T07:15:40.125Z"),
        )


def test_a_lost_connection_in_the_events_ends_what_is_held() -> None:
    samples = recording(1.0).query("active != False")
    at = START + pd.Timedelta(seconds=20.5)
    events = pd.DataFrame({"time": [at], "hammer": ["HB-01"], "event": ["connection"], "state": ["lost"]})
    [alert] = strikewatch.replay(samples, events, HELD).to_dict("records")
    assert alert["cleared"] == pd.Timestamp("2026-03-04T07:15:20.5Z")


def test_a_bound_that_cannot_be_is_a_mistake_in_the_settings() -> None:
    for hold_s, words in (
        ({"activ": 600.0}, "'activ' is not a channel"),
        ({"oil_c": 1.0}, "oil_c is valid for 60 s"),
    ):
        with pytest.raises(SettingsError, match=words):
            strikewatch.replay(recording(5.0), settings={"faults": {"on_change": {"hold_s": hold_s}}})
