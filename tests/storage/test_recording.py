"""Admitted rows are recorded once, in order and bit for bit, wherever the recorder is interrupted."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from sqlalchemy import URL, Connection, text

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk
from strikewatch.storage.recorder import recorder as recording
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings

WALL = 1_772_608_500_123_000_000  # 2026-03-04T07:15:00.123Z
HOUR = 3600 * SECOND
HAMMERS: list[Key] = [("pit", "HB-01"), ("pit", "HB-02"), ("quay", "HB-01")]


def step(k: int, wall: int) -> StepRecord:
    """Return step `k`: one or two rows for each hammer with unique values, and sometimes an event."""
    rows = []
    for h, key in enumerate(HAMMERS):
        if (k + h) % 3 == 0:
            continue
        times = np.array([WALL + k * SECOND + h, WALL + k * SECOND + h + 500])
        columns = {"oil_c": np.array([k + h / 10, np.nan])}
        if h:
            columns["active"] = np.array([1.0, 0.0])
        rows.append((key, Rows(times, columns)))
    applied = [Event(*HAMMERS[k % 3], "check", WALL + k, {"note": str(k)}, applied=WALL + k * SECOND)]
    return StepRecord(wall, rows, applied=applied if k % 4 == 0 else [])


def recorded(folder: Path) -> tuple[dict[Key, list[tuple[Any, ...]]], list[str]]:
    """Return all recordings in the order of their names: rows by hammer, and the notes of the events."""
    rows: dict[Key, list[tuple[Any, ...]]] = {}
    notes: list[str] = []
    for site in sorted(folder.iterdir()):
        for shift in sorted(one for one in site.iterdir() if not one.name.startswith(".")):
            for row in pq.read_table(shift / "samples.parquet").to_pylist():
                assert row["site"] == site.name
                at = pa.scalar(row["time"], pa.timestamp("ns", tz="UTC")).cast(pa.int64()).as_py()
                rows.setdefault((site.name, row["hammer"]), []).append((at, row["oil_c"], row.get("active")))
            events = shift / "events.jsonl"
            if events.exists():
                notes += [json.loads(line)["note"] for line in events.read_text().splitlines()]
    return rows, notes


def admitted(steps: list[StepRecord]) -> tuple[dict[Key, list[tuple[Any, ...]]], list[str]]:
    """Return the same from the committed steps."""
    rows: dict[Key, list[tuple[Any, ...]]] = {}
    notes: list[str] = []
    for one in steps:
        for key, part in one.rows:
            for i in range(len(part)):
                oil = part.columns["oil_c"][i]
                active = bool(part.columns["active"][i]) if "active" in part.columns else None
                rows.setdefault(key, []).append(
                    (int(part.time_ns[i]), None if np.isnan(oil) else oil, active)
                )
    for site in ("pit", "quay"):
        notes += [event.fields["note"] for one in steps for event in one.applied if event.site == site]
    return rows, notes


def names(folder: Path, site: str = "pit") -> list[str]:
    return sorted(one.name for one in (folder / site).iterdir())


def spooled(store: Store) -> int:
    with store.read() as connection:
        return int(connection.scalar(text("select count(*) from arrived")))


@pytest.fixture
def store(where: Path | URL) -> Iterator[Store]:
    store = Store(where)
    yield store
    store.close()


def test_a_recording_ends_at_the_hour_and_at_a_clean_stop(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    recorder = Recorder(store, RecorderSettings(folder=folder))
    steps = []
    for k in range(100):
        wall = WALL + k * 90 * SECOND  # two and a half hours
        steps.append(step(k, wall))
        store.commit(steps[-1])
        recorder.tick(wall)
    recorder.flush(wall)
    assert recorded(folder) == admitted(steps)
    assert names(folder) == ["20260304T071500.123Z", "20260304T080130.123Z", "20260304T090130.123Z"]
    assert spooled(store) == 0
    meta = pq.read_schema(folder / "pit" / "20260304T071500.123Z" / "samples.parquet").metadata
    assert meta[b"strikewatch.feed"] == b"as it came"
    recorder.flush(wall)
    assert len(names(folder)) == 3


def test_a_recording_ends_at_its_size_limit(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    recorder = Recorder(store, RecorderSettings(folder=folder, roll_mib=0.001))
    steps = [step(k, WALL) for k in range(30)]
    for one in steps:
        store.commit(one)
        recorder.tick(WALL)
    recorder.flush(WALL)
    assert recorded(folder) == admitted(steps)
    assert 3 < len(names(folder)) < 20


def test_a_recording_of_more_than_one_chunk_is_complete(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "CHUNK", 7)
    folder = tmp_path / "recordings"
    steps = [step(k, WALL) for k in range(25)]
    for one in steps:
        store.commit(one)
    recorder = Recorder(store, RecorderSettings(folder=folder))
    recorder.flush(WALL)
    assert recorded(folder) == admitted(steps)
    assert spooled(store) == 0


def test_large_steps_are_read_few_at_a_time(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read at once is bounded by its bytes, so that a backlog of large steps does not exceed the size limit."""
    monkeypatch.setattr(recording, "CHUNK_MIB", 0.0005)
    folder = tmp_path / "recordings"
    steps = [step(k, WALL) for k in range(30)]
    for one in steps:
        store.commit(one)
    recorder = Recorder(store, RecorderSettings(folder=folder, roll_mib=0.001))
    recorder.tick(WALL)
    recorder.flush(WALL)
    assert recorded(folder) == admitted(steps)
    assert len(names(folder)) > 3


def test_recordings_stay_in_order_when_the_wall_clock_is_set_back(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    recorder = Recorder(store, RecorderSettings(folder=folder))
    steps = []
    for k, wall in enumerate([WALL, WALL - 5 * HOUR, WALL - 5 * HOUR, WALL + HOUR]):
        steps.append(step(k, wall))
        store.commit(steps[-1])
        recorder.flush(wall)
    assert recorded(folder) == admitted(steps)
    assert names(folder)[:3] == ["20260304T071500.123Z", "20260304T071500.124Z", "20260304T071500.125Z"]


class Crash(BaseException):
    """A simulated power cut."""


def crash_at(monkeypatch: pytest.MonkeyPatch, n: int) -> Callable[[], bool]:
    """Crash at the n-th point, of which there is one before and after each durable change; report whether it did."""
    left = [n]

    def point() -> None:
        left[0] -= 1
        if left[0] == 0:
            raise Crash

    def around(module: Any, name: str) -> None:
        real = getattr(module, name)

        def wrapped(*args: Any, **kwargs: Any) -> Any:
            point()
            result = real(*args, **kwargs)
            point()
            return result

        monkeypatch.setattr(module, name, wrapped)

    around(recording, "write_parts")
    around(disk, "publish_folder")
    around(disk, "remove_folder")
    around(disk, "sync")
    around(Path, "rename")
    real_write = Store.write

    @contextmanager
    def write(store: Store) -> Iterator[Connection]:
        point()
        with real_write(store) as connection:
            yield connection
            point()
        point()

    monkeypatch.setattr(Store, "write", write)
    return lambda: left[0] <= 0


def test_each_row_is_recorded_once_wherever_the_recorder_is_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Crash at every point of ending a recording, then restart and crash at every point of the recovery."""
    points = 0
    while True:
        points += 1
        assert points < 100
        place = tmp_path / str(points)
        folder = place / "recordings"
        settings = RecorderSettings(folder=folder, keep_days=0)
        store = Store(place / "watch.db")
        steps = [step(k, WALL + k) for k in range(12)]
        for one in steps[:8]:
            store.commit(one)
        down: Callable[[], bool] = lambda: False  # noqa: E731
        for n in (points, max(1, points // 2)):
            with monkeypatch.context() as patch:
                down = crash_at(patch, n)
                try:
                    Recorder(store, settings).flush(WALL)
                except Crash:
                    store.close()
                    store = Store(place / "watch.db")
            if n == points:
                crashed = down()
        for one in steps[8:]:
            store.commit(one)
        Recorder(store, settings).flush(WALL + HOUR)
        assert recorded(folder) == admitted(steps)
        assert spooled(store) == 0
        store.close()
        if not crashed:
            break
    assert points > 20


@pytest.mark.parametrize("limit", [{"keep_days": 0.5, "keep_gib": 0}, {"keep_days": 0, "keep_gib": 1e-5}])
def test_the_oldest_recordings_are_removed(store: Store, tmp_path: Path, limit: dict[str, float]) -> None:
    """By age or total size; an interrupted removal is finished at the next pass."""
    folder = tmp_path / "recordings"
    recorder = Recorder(store, RecorderSettings(folder=folder, **limit))
    for k in range(0, 40, 4):
        store.commit(step(k, WALL + k * HOUR))
        recorder.flush(WALL + k * HOUR)
    kept = names(folder)
    assert 0 < len(kept) < 5
    assert kept[-1] == "20260305T191500.123Z"
    hidden = folder / "pit" / f".{kept[0]}.gone"
    (folder / "pit" / kept[0]).rename(hidden)
    store.commit(step(200, WALL + 200 * HOUR))
    recorder.flush(WALL + 200 * HOUR)
    if limit["keep_days"]:
        assert names(folder) == ["20260312T151500.123Z"]
    else:
        store.commit(step(201, WALL + 201 * HOUR))
        recorder.flush(WALL + 201 * HOUR)
        assert not hidden.exists()


def test_an_unwritable_recordings_folder_is_named_in_the_error(store: Store, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    recorder = Recorder(store, RecorderSettings(folder=tmp_path / "taken"))
    store.commit(step(1, WALL))
    with pytest.raises(StoreError, match="taken"):
        recorder.flush(WALL)
