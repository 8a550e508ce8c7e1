"""Logger files become recorded shifts: in order of time, with held values, and nothing lost without a word."""

import random
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from strikewatch.core import instant
from strikewatch.core.batch import Key, Rows
from strikewatch.errors import InputError
from strikewatch.service.recorded import convert as module
from strikewatch.service.recorded.convert import convert
from strikewatch.service.recorded.converted import Converted
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.tree import Settings
from strikewatch.sources.recordings import open_shifts
from tests.sources.logs.files import CAN, DBC, EEC1, TABLE, candump, engine_speed, source

HB_01 = "fennick-hollow", "HB-01"
START = instant.parse("2026-03-04T06:15:00Z")
S = 1_000_000_000


def csv(folder: Path, rows: Sequence[tuple[float, str]], name: str = "shift.csv") -> Path:
    """Write (seconds from START, cells) as a table of `time` and `p`."""
    lines = [f"{instant.exact_text(START + round(at * S))},{cells}\n" for at, cells in rows]
    path = folder / name
    path.write_text("time,p\n" + "".join(lines))
    return path


def rows_of(folder: Path) -> dict[Key, Rows]:
    [shift] = open_shifts(folder)
    found: dict[Key, list[Rows]] = {}
    for key, rows in shift.pieces():
        found.setdefault(key, []).append(rows)
    return {key: Rows.join(parts) for key, parts in found.items()}


def converted(
    folder: Path, *paths: Path, changes: dict[str, Any] | None = None, **options: Any
) -> tuple[Rows, Converted]:
    result = convert(source(TABLE, **(changes or {})), paths, folder / "shift", **options)
    return rows_of(folder / "shift")[HB_01], result


def test_rows_are_written_in_order_of_time_one_an_instant(tmp_path: Path) -> None:
    """Whatever their order in the log, and however many files it has."""
    times = [(k * 0.1, str(k)) for k in range(1000)]
    shuffled = times[:]
    random.Random(4).shuffle(shuffled)
    first, second = (
        csv(tmp_path, shuffled[:300], "a.csv"),
        csv(tmp_path, [*shuffled[300:], (0.5, "7000")], "b.csv"),
    )
    rows, result = converted(tmp_path, first, second)
    assert rows.time_ns.tolist() == [START + k * S // 10 for k in range(1000)]
    assert rows.columns["pressure_bar"].tolist() == [float(k) for k in range(1000)]
    assert result.hammers[HB_01].n == 1000
    assert any("1 values not used" in note for note in result.notes)
    assert any("b.csv begins at" in note and "put in order" in note for note in result.notes)


@pytest.mark.parametrize("size", [7, 64, 1_000_000])
def test_parts_of_any_size_give_the_same_shift(
    tmp_path: Path, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two hammers and channels of an instant in rows of their own, cut anywhere."""
    monkeypatch.setattr(module, "GROUP_ROWS", size)
    lines = ["time,tag,v\n"]
    for k in range(300):
        for hammer in ("HB-01", "HB-02"):
            lines += [
                f"{instant.text(START + k * S)},{hammer}.{tag},{value}\n"
                for tag, value in (("p", k), ("on", k % 2))
            ]
    (tmp_path / "long.csv").write_text("".join(lines))
    channels = {"pressure_bar": {"named": "{hammer}.p"}, "active": {"named": "{hammer}.on"}}
    table = source(TABLE, name="@.tag", value="@.v", hammer="{hammer}", channels=channels)
    convert(table, [tmp_path / "long.csv"], tmp_path / "shift")
    found = rows_of(tmp_path / "shift")
    assert set(found) == {HB_01, ("fennick-hollow", "HB-02")}
    for rows in found.values():
        assert rows.time_ns.tolist() == [START + k * S for k in range(300)]
        assert rows.columns["pressure_bar"].tolist() == list(range(300))
        assert rows.columns["active"].tolist() == [k % 2 for k in range(300)]


def test_values_sent_on_change_are_held(tmp_path: Path) -> None:
    """40 s of firing told by two rows are found; the recording needs no table any more."""
    changes = {"channels": {"active": {"at": "@.p", "on": ["on"], "off": ["off"], "hold_s": 600.0}}}
    path = csv(tmp_path, [(0, "off"), (5, "on"), (45, "off"), (50, "off")])
    rows, _ = converted(tmp_path, path, changes=changes)
    assert len(rows) > 45
    result = replay_shifts(open_shifts(tmp_path / "shift"), Settings().of_hammer)
    [alert] = [one for one in result.records if one["fault"] == "same_spot"]
    assert (alert["onset"], alert["cleared"]) == (
        "2026-03-04T06:15:20.000000Z",
        "2026-03-04T06:15:45.000000Z",
    )


def test_more_loss_than_allowed_is_an_error_and_writes_nothing(tmp_path: Path) -> None:
    path = csv(tmp_path, [(k, "x" if k < 3 else "1") for k in range(100)])
    with pytest.raises(InputError) as refused:
        converted(tmp_path, path)
    assert '3 of 100 values of `pressure_bar` unreadable, the first: row 2: "x" is not a number' in str(
        refused.value
    )
    assert "--allow-loss 3" in str(refused.value)
    assert sorted(tmp_path.iterdir()) == [path]
    rows, result = converted(tmp_path, path, allow_loss=3.0)
    assert len(rows) == 100
    assert [loss.percent for loss in result.losses] == [3.0]


def test_rows_of_a_wrong_clock_are_loss(tmp_path: Path) -> None:
    times = [(float(k), "1") for k in range(100)]
    times[50:52] = [(40_000_000.0, "1"), (40_000_001.0, "1")]
    with pytest.raises(InputError, match="2 of 100 rows from a wrong clock"):
        converted(tmp_path, csv(tmp_path, times))


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ("time,p\n", "no row can be used"),
        (
            "time,p\nyesterday,1\n",
            '1 of 1 records without a usable instant, the first: row 2: @.time: "yesterday"',
        ),
        ("time,p\n2026-03-04 07:15:00,1,2\n", "1 of 1 records with too few or too many fields"),
    ],
)
def test_a_log_without_a_usable_row_is_refused(tmp_path: Path, lines: str, expected: str) -> None:
    (tmp_path / "shift.csv").write_text(lines)
    with pytest.raises(InputError, match=re.escape(expected)):
        converted(tmp_path, tmp_path / "shift.csv", allow_loss=100.0)


def test_an_existing_folder_is_not_overwritten(tmp_path: Path) -> None:
    path = csv(tmp_path, [(0, "1")])
    converted(tmp_path, path)
    with pytest.raises(InputError, match="exists already"):
        converted(tmp_path, path)


def test_messages_that_were_in_no_file_are_noted(tmp_path: Path) -> None:
    (tmp_path / "breaker.dbc").write_text(DBC)
    (tmp_path / "bench.log").write_text(candump([(START / S, EEC1, engine_speed(8000))]))
    result = convert(source(CAN), [tmp_path / "bench.log"], tmp_path / "shift", dbc_folder=tmp_path)
    assert result.channels == ["engine_rpm"]
    assert sum("no frame of" in note for note in result.notes) == 3


def test_progress_ends_at_the_size_of_the_files(tmp_path: Path) -> None:
    paths = [csv(tmp_path, [(k, "1") for k in range(500)], name) for name in ("a.csv", "b.csv")]
    reported: list[tuple[int, int]] = []
    converted(tmp_path, *paths, progress=lambda done, total: reported.append((done, total)))
    total = sum(path.stat().st_size for path in paths)
    assert reported[-1][1] == total
    assert all(0 < done <= total for done, _ in reported)


def test_the_memory_of_a_large_log_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times the rows, hardly more memory."""
    import tracemalloc

    from strikewatch.sources.logs import tables
    from strikewatch.sources.recordings import parquet

    monkeypatch.setattr(module, "GROUP_ROWS", 2000)
    monkeypatch.setattr(parquet, "PIECE_ROWS", 2000)
    monkeypatch.setattr(tables, "_BLOCK_BYTES", 1 << 15)
    peaks = []
    for n in (10_000, 100_000):
        path = tmp_path / f"{n}.csv"
        path.write_text(
            "time,p\n" + "".join(f"{1_772_604_900_000 + 100 * k},{k % 300}.5\n" for k in range(n))
        )
        table = source(TABLE, time={"at": "@.time", "as": "ms"})
        tracemalloc.start()
        convert(table, [path], tmp_path / f"shift-{n}")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 2 * peaks[0] + 1_000_000, peaks
