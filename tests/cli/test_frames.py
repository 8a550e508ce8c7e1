"""`strikewatch.replay`: frames in, a frame of alerts out, whatever the frames are made of."""

from collections.abc import Callable
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import strikewatch
from strikewatch.errors import InputError, SettingsError
from strikewatch.settings.tree import load
from tests.api.test_python_api import records
from tests.cli.test_replay import FIELDS
from tests.recordings.shapes import EVENTS, SITE, frame, parquet

LONDON_TO_INDIA = timezone(timedelta(hours=5, minutes=30))


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return parquet(tmp_path_factory.mktemp("reference"), frame()).records


FRAMES: dict[str, Callable[[pd.DataFrame], pd.DataFrame]] = {
    "aware": lambda f: f,
    "another zone": lambda f: f.assign(time=f["time"].dt.tz_convert(LONDON_TO_INDIA)),
    "seconds and less": lambda f: f.assign(time=f["time"].dt.as_unit("ms")),
    "objects": lambda f: f.assign(time=f["time"].astype(object), active=f["active"].astype(object)),
    "datetimes": lambda f: f.assign(time=pd.Series([t.to_pydatetime() for t in f["time"]], dtype=object)),
    "time as the index": lambda f: f.set_index("time"),
    "any index": lambda f: f.set_index(np.arange(len(f))[::-1]),
    "text times": lambda f: f.assign(time=[t.isoformat() for t in f["time"]]),
    "category": lambda f: f.assign(hammer=f["hammer"].astype("category")),
    "Arrow's kinds": lambda f: f.convert_dtypes(dtype_backend="pyarrow"),
    "nullable kinds": lambda f: f.convert_dtypes(),
}


@pytest.mark.parametrize("kind", FRAMES)
def test_frames_with_other_dtypes_find_the_same_alerts(kind: str, reference: list[dict[str, Any]]) -> None:
    alerts = strikewatch.replay(FRAMES[kind](frame().assign(site=SITE)), pd.DataFrame(EVENTS))
    assert list(alerts.columns) == FIELDS
    assert records(alerts) == reference


@pytest.mark.parametrize(
    "change",
    [
        lambda e: e.assign(time=pd.to_datetime(e["time"])),
        lambda e: e.assign(bore_mm=np.nan, turned_before=None, note=pd.NA, applied=pd.NaT),
        lambda e: e.assign(strokes=[None, np.array([3, 12])]),
        lambda e: e.assign(strokes=[np.nan, (3.0, 12.0)]),
        lambda e: e.assign(site=SITE),
        lambda e: e.iloc[::-1],
    ],
)
def test_events_with_empty_fields_and_strokes_of_any_kind(
    change: Callable[[pd.DataFrame], pd.DataFrame], reference: list[dict[str, Any]]
) -> None:
    alerts = strikewatch.replay(frame().assign(site=SITE), change(pd.DataFrame(EVENTS)))
    assert records(alerts) == reference


def test_an_empty_result_keeps_the_columns() -> None:
    alerts = strikewatch.replay(frame().assign(active=False, oil_c=50.0))
    assert (list(alerts.columns), len(alerts)) == (FIELDS, 0)
    assert list(strikewatch.replay(frame().iloc[:0]).columns) == FIELDS


def test_settings_may_be_a_mapping_a_path_or_loaded(tmp_path: Path) -> None:
    """A mapping, a file, its name as text, and settings already loaded."""
    mapping = {"faults": {"same_spot": {"limit_s": 20.0}}}
    file = tmp_path / "mine.toml"
    file.write_text("[faults.same_spot]\nlimit_s = 20.0\n")
    for settings in (mapping, file, str(file), load(given=mapping)):
        alerts = strikewatch.replay(frame(), settings=settings)
        onsets = set(alerts.loc[alerts["fault"] == "same_spot", "onset"])
        assert onsets == {pd.Timestamp("2026-03-04T07:00:30Z")}
    with pytest.raises(SettingsError, match="limit_s"):
        strikewatch.replay(frame(), settings={"faults": {"same_spot": {"limit_s": -1}}})


def test_the_given_frames_are_not_changed() -> None:
    samples, events = frame(), pd.DataFrame(EVENTS)
    strikewatch.replay(samples, events)
    pd.testing.assert_frame_equal(samples, frame())
    pd.testing.assert_frame_equal(events, pd.DataFrame(EVENTS))


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda f: f.drop(columns="time"), "`time`"),
        (lambda f: f.drop(columns="hammer"), "`hammer`"),
        (lambda f: f.assign(time=range(len(f))), "`time`"),
        (lambda f: f.assign(oil_c="61.2"), "`oil_c`"),
        (lambda f: f.assign(oil_c=[61.2, "warm"] * (len(f) // 2)), "oil_c"),
        (lambda f: pd.concat([f, f[["oil_c"]]], axis=1), "oil_c"),
        (lambda f: f.assign(time=pd.NaT), "time"),
    ],
)
def test_an_unusable_frame_names_the_column(
    change: Callable[[pd.DataFrame], pd.DataFrame], place: str
) -> None:
    with pytest.raises(InputError, match=place):
        strikewatch.replay(change(frame()))


def test_unused_data_is_reported() -> None:
    events = pd.DataFrame([*EVENTS, {"time": "yesterday", "hammer": "HB-01", "event": "grease"}])
    with pytest.warns(UserWarning, match="1 events skipped"):
        strikewatch.replay(frame(), events)
    with pytest.warns(UserWarning, match="1 rows skipped for a bad `hammer`"):
        strikewatch.replay(pd.concat([frame(), frame().iloc[:1].assign(hammer=None)]))


START = pd.Timestamp("2026-03-04T07:15:00Z")
HELD = {"faults": {"on_change": {"hold_s": {"active": 600.0}}}}


def recording(every_s: float) -> pd.DataFrame:
    """40 s of firing in one spot, sent as two changes of `active`, and a pressure every `every_s`."""
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


def test_a_connection_event_ends_held_values() -> None:
    samples = recording(1.0).query("active != False")
    at = START + pd.Timedelta(seconds=20.5)
    events = pd.DataFrame({"time": [at], "hammer": ["HB-01"], "event": ["connection"], "state": ["lost"]})
    [alert] = strikewatch.replay(samples, events, HELD).to_dict("records")
    assert alert["cleared"] == pd.Timestamp("2026-03-04T07:15:20.5Z")


def test_an_impossible_hold_time_is_a_settings_error() -> None:
    for hold_s, words in (
        ({"activ": 600.0}, "'activ' is not a channel"),
        ({"oil_c": 1.0}, "oil_c is valid for 60 s"),
    ):
        with pytest.raises(SettingsError, match=words):
            strikewatch.replay(recording(5.0), settings={"faults": {"on_change": {"hold_s": hold_s}}})
