"""A replay in several threads: the same results in the same order as in one."""

import dataclasses
import random
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from strikewatch.errors import InputError
from strikewatch.service.recorded import replay, replay_threads
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.service.recorded.replay import ReplayResult, replay_shifts
from strikewatch.service.recorded.replay_threads import AHEAD_PER_CORE
from strikewatch.settings.faults import Faults
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts, parquet
from strikewatch.sources.recordings.parquet import ParquetShift
from tests.recordings.shapes import folder, frame

REPLAY_DATA = Path(__file__).parents[2] / "replay_data"
SHIFTS = sorted(path.parent for path in REPLAY_DATA.glob("*/samples.*"))


def everything(result: ReplayResult) -> dict[str, Any]:
    """Return all that a replay says, with the order of everything."""
    found = {field.name: getattr(result, field.name) for field in dataclasses.fields(result)}
    for name in ("recorded", "steps", "_records", "settings"):
        del found[name]
    found |= {"records": result.records, "stretches": list(map(repr, result.stretches()))}
    found |= {
        "bouts": list(map(repr, result.bouts())),
        "notes": [*result.notes(), *result.partly_monitored_notes()],
    }
    found["measured"] = [
        (key, starts.tolist(), repr([column.tolist() for column in columns]))
        for step in result.steps
        for key, starts, _, columns in step.bout_columns("judged_ns", "level_bar")
    ]
    found["in order"] = [list(value) for value in found.values() if isinstance(value, dict)]
    return found


@pytest.fixture(autouse=True)
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read each row group by itself, so that a short table has many parts."""
    monkeypatch.setattr(parquet, "PIECE_ROWS", 0)


@pytest.fixture
def slow_at_times(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make pieces and parts take a while at random, so that the threads change places."""
    chance = random.Random(5)
    rows, read_part = replay_threads.ReplayRun.rows, ParquetShift.read_part

    def slow_rows(self: Any, *arguments: Any) -> None:
        time.sleep(chance.choice((0.0, 0.002)))
        rows(self, *arguments)

    def slow_read(self: Any, number: int) -> Any:
        time.sleep(chance.choice((0.0, 0.004)))
        return read_part(self, number)

    monkeypatch.setattr(replay_threads.ReplayRun, "rows", slow_rows)
    monkeypatch.setattr(ParquetShift, "read_part", slow_read)


@pytest.mark.usefixtures("slow_at_times")
@pytest.mark.parametrize("paths", [*([path] for path in SHIFTS), SHIFTS], ids=lambda paths: paths[-1].name)
def test_any_number_of_threads_gives_the_same(paths: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    recordings = Recordings(paths, load())
    found = []
    for cores in (1, 2, 5):
        for module in (replay, replay_threads):
            monkeypatch.setattr(module, "usable_cores", lambda cores=cores: cores)
        found.append(everything(recordings.replay(recordings.open())))
    assert found[0]["records"]
    assert found[1] == found[0]
    assert found[2] == found[0]


@pytest.mark.usefixtures("slow_at_times")
def test_the_first_bad_row_is_named_whichever_part_is_read_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table of mixed hammers in many row groups, with rows without an instant or a hammer in several."""
    path = folder(tmp_path)
    table = frame()
    table.loc[[70, 130, 200, 310], "time"] = None
    table.loc[[61, 250], "hammer"] = None
    table["active"] = np.where(table.index % 40 == 33, "perhaps", "yes")
    table.to_parquet(path / "samples.parquet", row_group_size=20, index=False)
    faults = Faults().by_detector()
    found = []
    for cores in (1, 4):
        for module in (replay, replay_threads):
            monkeypatch.setattr(module, "usable_cores", lambda cores=cores: cores)
        found.append(everything(replay_shifts(open_shifts(path), lambda _key: faults)))
    assert found[0]["examples"]["time"].endswith("row 71: `time` is empty")
    assert found[0]["bad"] == {"time": 4, "hammer": 2}
    assert found[0]["cells"] == {"active": 8}
    assert found[1] == found[0]


def test_an_error_in_any_part_ends_the_replay(tmp_path: Path) -> None:
    """The error that a single thread would meet first, after which nothing runs on."""
    path = folder(tmp_path)
    frame().to_parquet(path / "samples.parquet", row_group_size=20, index=False)
    shifts = open_shifts(path)
    intact = shifts[0].read_part

    def damaged(number: int) -> Any:
        if number in (3, 5):
            raise InputError(f"part {number} is damaged")
        return intact(number)

    shifts[0].read_part = damaged  # type: ignore[method-assign]
    faults = Faults().by_detector()
    before = threading.active_count()
    with pytest.raises(InputError, match="part 3 is damaged"):
        replay_shifts(shifts, lambda _key: faults)
    assert threading.active_count() == before


def test_an_error_in_processing_ends_the_replay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = folder(tmp_path)
    frame().to_parquet(path / "samples.parquet", row_group_size=20, index=False)
    rows = replay_threads.ReplayRun.rows

    def failing(self: Any, number: int, piece: Any) -> None:
        if number == 4:
            raise ZeroDivisionError("piece 4")
        rows(self, number, piece)

    monkeypatch.setattr(replay_threads.ReplayRun, "rows", failing)
    faults = Faults().by_detector()
    before = threading.active_count()
    with pytest.raises(ZeroDivisionError, match="piece 4"):
        replay_shifts(open_shifts(path), lambda _key: faults)
    assert threading.active_count() == before


@pytest.mark.parametrize("cores", [1, 3])
def test_memory_is_bounded_while_a_run_is_busy(
    cores: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parts of one hammer, which wait for it: few are read before one is done."""
    path = folder(tmp_path)
    frame().to_parquet(path / "samples.parquet", row_group_size=10, index=False)
    for module in (replay, replay_threads):
        monkeypatch.setattr(module, "usable_cores", lambda: cores)
    begun: list[int] = []
    most = 0
    rows, read_part = replay_threads.ReplayRun.rows, ParquetShift.read_part

    def slow_rows(self: Any, number: int, piece: Any) -> None:
        nonlocal most
        time.sleep(0.002)
        most = max(most, len(begun) - number)
        rows(self, number, piece)

    def counted(self: Any, number: int) -> Any:
        begun.append(number)
        return read_part(self, number)

    monkeypatch.setattr(replay_threads.ReplayRun, "rows", slow_rows)
    monkeypatch.setattr(ParquetShift, "read_part", counted)
    faults = Faults().by_detector()
    shifts = open_shifts(path)
    ((key, _), *_) = shifts[0].pieces()
    begun.clear()
    reported: list[int] = []
    result = replay_shifts(
        shifts, lambda _key: faults, progress=lambda done, _total: reported.append(done), only=key
    )
    parts = len(begun)
    assert parts == shifts[0].parts > 20
    assert 1 <= most <= (AHEAD_PER_CORE + 1) * cores + 1
    assert reported == sorted(reported)
    assert reported[-1] == shifts[0].total
    assert result.counts.used
