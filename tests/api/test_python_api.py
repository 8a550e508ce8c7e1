"""The interface in Python: lazy names, typed columns, shifts by path, and documented examples that run."""

import doctest
import json
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import strikewatch
from strikewatch import api, errors
from tests.cli.test_replay import FIELDS

ROOT = Path(__file__).parents[2]
SHIFTS = ROOT / "replay_data"
PATH_SHIFTS = ("trench-feed", "wet-trench", "pad-handover")
"""CSV, a shift with settings of its own, and one with a change of operators."""


def golden(name: str) -> list[dict[str, Any]]:
    lines = (SHIFTS / name / "alerts.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def records(alerts: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a typed frame as alert records."""
    rows = alerts.assign(
        operator=alerts["operator"].astype(object).where(alerts["operator"].notna(), None)
    ).to_dict("records")
    return [
        {str(k): v for k, v in row.items()} | {name: text(row[name]) for name in ("onset", "cleared")}
        for row in rows
    ]


def text(at: pd.Timestamp) -> str | None:
    return None if at is pd.NaT else at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def test_import_loads_neither_pandas_nor_numba() -> None:
    """Neither does reading the version or an exception."""
    code = (
        "import sys, strikewatch; strikewatch.__version__; strikewatch.InputError; dir(strikewatch); "
        "print([m for m in ('pandas', 'numba', 'numpy', 'pyarrow', 'scipy', 'sqlalchemy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_public_name_exists() -> None:
    assert set(strikewatch.__all__) <= set(dir(strikewatch))
    for name in strikewatch.__all__:
        assert getattr(strikewatch, name) is not None
    assert strikewatch.InputError is errors.InputError
    with pytest.raises(AttributeError, match="no attribute 'replays'"):
        strikewatch.replays  # noqa: B018 - reading it is the test


def test_version_is_that_of_the_project() -> None:
    assert f'version = "{strikewatch.__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("module", [strikewatch, api])
def test_examples_run(module: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = doctest.testmod(module, raise_on_error=False)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("name", PATH_SHIFTS)
def test_path_and_loaded_shift_find_the_golden_alerts(name: str) -> None:
    """The site, the events and the shift's own settings are included."""
    by_path = strikewatch.replay(SHIFTS / name)
    assert records(by_path) == golden(name)
    loaded = strikewatch.replay(*strikewatch.load_shift(str(SHIFTS / name)))
    pd.testing.assert_frame_equal(loaded, by_path)


def test_columns_have_types() -> None:
    alerts = strikewatch.replay(SHIFTS / "pad-handover")
    assert list(alerts.columns) == FIELDS
    for frame in (alerts, strikewatch.replay(nothing_wrong())):
        assert {str(frame[name].dtype) for name in ("onset", "cleared")} == {"datetime64[us, UTC]"}
        assert {str(frame[name].dtype) for name in ("fault", "site", "hammer", "operator")} == {"category"}
        assert frame["priority"].cat.categories.tolist() == ["low", "medium", "high"]
        assert frame["priority"].cat.ordered
        assert frame["historic"].dtype == bool
    assert all(isinstance(evidence, dict) for evidence in alerts["evidence"])


def test_what_is_not_monitored_comes_with_the_alerts() -> None:
    """A feed without pressure shows no blank firing: that is not a count of zero."""
    alerts = strikewatch.replay(nothing_wrong())
    assert "blank_firing" not in alerts["fault"].cat.categories
    reasons = {one["fault"]: one["reason"] for one in alerts.attrs["not_monitored"]}
    assert "pressure" in reasons["blank_firing"]


def test_a_loaded_shift_has_types() -> None:
    samples, events, settings = strikewatch.load_shift(SHIFTS / "wet-trench")
    assert str(samples["time"].dtype) == "datetime64[ns, UTC]"
    assert str(samples["active"].dtype) == "boolean"
    assert str(samples["pressure_bar"].dtype) == "float64"
    assert set(samples["site"]) == {"fennick-hollow"}
    assert {"time", "site", "hammer", "event", "operator"} <= set(events.columns)
    assert settings == SHIFTS / "wet-trench" / "settings.toml"


def test_settings_given_replace_the_shift_s_own() -> None:
    """They do the same as `--config`."""
    given = strikewatch.replay(SHIFTS / "wet-trench", settings={})
    samples, events, _ = strikewatch.load_shift(SHIFTS / "wet-trench")
    pd.testing.assert_frame_equal(given, strikewatch.replay(samples, events))


def test_corrections_are_kept_in_a_frame_of_events(tmp_path: Path) -> None:
    """`corrects` of an event is an object, and stays one in a frame of events."""
    nothing_wrong().to_parquet(tmp_path / "samples.parquet")
    grease = {"time": "2026-03-04T07:00:01Z", "hammer": "HB-01", "event": "grease", "strokes": [1, 1]}
    wrong = {"event": "grease", "time": "2026-03-04T07:00:01.000000Z"}
    right = grease | {"time": "2026-03-04T07:00:02Z", "strokes": [12, 12], "corrects": wrong}
    lines = "\n".join(json.dumps(event) for event in (grease, right))
    (tmp_path / "events.jsonl").write_text(lines, encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        by_path = strikewatch.replay(tmp_path)
        pd.testing.assert_frame_equal(strikewatch.replay(*strikewatch.load_shift(tmp_path)), by_path)
    samples = strikewatch.load_shift(tmp_path).samples.drop(columns="site")
    frame = strikewatch.replay(samples, pd.DataFrame([grease, right]), site=tmp_path.name)
    pd.testing.assert_frame_equal(frame, by_path)


def test_unusable_paths_name_the_remedy() -> None:
    with pytest.raises(strikewatch.InputError, match="load one of them"):
        strikewatch.load_shift(SHIFTS)
    with pytest.raises(strikewatch.InputError, match="no such file or folder"):
        strikewatch.replay(SHIFTS / "no-such-bench")
    with pytest.raises(strikewatch.InputError, match="give events with a frame"):
        strikewatch.replay(SHIFTS / "wet-trench", pd.DataFrame())


def test_unusable_rows_of_a_file_are_reported_when_it_is_loaded(tmp_path: Path) -> None:
    frame = nothing_wrong()
    file = tmp_path / "shift.parquet"
    pd.concat([frame, frame.iloc[:1].assign(hammer=None)], ignore_index=True).to_parquet(file)
    with pytest.warns(UserWarning, match="1 rows skipped for a bad `hammer`") as caught:
        shift = strikewatch.load_shift(file)
    assert caught[0].filename == __file__
    assert len(shift.samples) == len(frame)
    pd.concat([frame, frame.iloc[:50].assign(hammer=None)], ignore_index=True).to_parquet(file)
    with pytest.raises(strikewatch.InputError, match="would be lost"):
        strikewatch.load_shift(file)


def test_the_former_name_of_usage_works() -> None:
    with pytest.warns(DeprecationWarning, match=r"strikewatch\.usage"):
        old = strikewatch.use(nothing_wrong())
    pd.testing.assert_frame_equal(old, strikewatch.usage(nothing_wrong()))


def nothing_wrong() -> pd.DataFrame:
    """Return 200 rows at 10 Hz without firing, from a feed without pressure."""
    time = pd.date_range("2026-03-04T07:00:00Z", periods=200, freq="100ms")
    return pd.DataFrame({"time": time, "hammer": "HB-01", "active": False, "oil_c": 50.0})
