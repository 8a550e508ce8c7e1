"""A piece of a recorded shift: the same rows that reading all of it and cutting would give, whatever the file."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.data.samples import ShiftSamples
from strikewatch.sources.recordings import open_shifts
from tests.recordings.shapes import frame

REPLAY_DATA = Path(__file__).parents[2] / "replay_data"
SPANS = ((0, 90), (-30, 10), (30, 30), (1200, 1260), (900_000, 900_060))
"""Seconds after an instant amid the shift: begin and end."""


def _cut(path: Path, key: Key, begin: Instant, end: Instant) -> Rows:
    every = [rows for shift in open_shifts(path) for one, rows in shift.pieces() if one == key]
    rows = Rows.join(every)
    rows = rows[(rows.time_ns >= begin) & (rows.time_ns < end)]
    return rows[np.unique(rows.time_ns, return_index=True)[1]]


@pytest.mark.parametrize("name", ["hot-bench", "trench-feed"])
def test_a_piece_is_what_cutting_the_whole_gives(name: str) -> None:
    (shift,) = open_shifts(REPLAY_DATA / name)
    key = next(one for one, _ in shift.pieces())
    first = int(np.median(np.concatenate([rows.time_ns for one, rows in shift.pieces() if one == key])))
    for a, b in SPANS:
        begin, end = first + a * SECOND, first + b * SECOND
        found, whole = shift.between(key, begin, end), _cut(REPLAY_DATA / name, key, begin, end)
        assert found.time_ns.tolist() == whole.time_ns.tolist()
        for channel in found.columns:
            np.testing.assert_array_equal(found.columns[channel], whole.columns[channel])
    assert len(shift.between(key, first, first + 90 * SECOND)) > 100


@pytest.mark.parametrize("name", ["hot-bench", "trench-feed"])
def test_the_span_is_from_the_first_row_to_the_last(name: str) -> None:
    (shift,) = open_shifts(REPLAY_DATA / name)
    every = np.concatenate([rows.time_ns for _, rows in shift.pieces()])
    assert shift.span() == (every.min(), every.max())


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_whatever_the_unit_of_its_times(tmp_path: Path, unit: str) -> None:
    """Row groups are left out by their statistics, which are in the file's unit."""
    times = pd.date_range("2026-07-14T06:00Z", periods=400, freq="s", unit=unit)  # type: ignore[call-overload]  # a literal
    frame = pd.DataFrame({"time": times, "hammer": ["HB-01"] * 200 + ["HB-02"] * 200, "oil_c": 50.0})
    frame.to_parquet(tmp_path / "shift.parquet", row_group_size=50)
    (shift,) = open_shifts(tmp_path / "shift.parquet")
    begin = int(times[230].as_unit("ns").value)
    assert len(shift.between((tmp_path.name, "HB-02"), begin, begin + 25 * SECOND)) == 25
    assert len(shift.between((tmp_path.name, "HB-01"), begin, begin + 25 * SECOND)) == 0


def test_rows_of_several_recordings_come_in_the_order_of_time(tmp_path: Path) -> None:
    """Whatever the order in which the recordings are given."""
    whole = frame()
    parts = []
    for name, part in (("b", whole[whole.index < 100]), ("a", whole[whole.index >= 100])):
        part.to_parquet(tmp_path / f"{name}.parquet")
        parts += open_shifts(tmp_path / f"{name}.parquet")
    begin, end = int(whole["time"].min().value), int(whole["time"].max().value) + 1
    key = tmp_path.name, "HB-01"
    rows = ShiftSamples(parts[::-1], ()).rows(key, begin, end)
    assert rows.time_ns.tolist() == whole.loc[whole["hammer"] == "HB-01", "time"].astype("int64").tolist()
