"""Times without an offset are read by the rules of their time zone."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types
import pytest

from strikewatch.sources.recordings import ReadOptions, open_shifts, parquet
from strikewatch.sources.recordings.times import local_instant, times, why_unusable

VIENNA = ZoneInfo("Europe/Vienna")
UTC_TEXT = "%Y-%m-%dT%H:%M:%SZ"


def read(walls: list[str], *, as_text: bool) -> tuple[list[str | None], int]:
    """Return local times as UTC (None: unusable), and how many were ambiguous."""
    column = pa.array(walls) if as_text else pa.array(pd.to_datetime(pd.Series(walls)).to_numpy())
    found = times(column, VIENNA, "here")
    shown = pd.to_datetime(found.time_ns, utc=True).strftime(UTC_TEXT)
    return [None if bad else utc for utc, bad in zip(shown, found.bad, strict=True)], found.twice


@pytest.mark.parametrize("as_text", [True, False])
def test_local_times_agree_with_pandas(as_text: bool) -> None:
    """Every half hour of a year but those at the changes of the clock, against pandas."""
    walls = pd.date_range("2026-01-01", "2026-12-31", freq="30min")
    walls = walls[~walls.strftime("%Y-%m-%d").isin(["2026-03-29", "2026-10-25"])]
    found, twice = read([f"{wall:%Y-%m-%dT%H:%M:%S}" for wall in walls], as_text=as_text)
    assert found == list(walls.tz_localize("Europe/Vienna").tz_convert("UTC").strftime(UTC_TEXT))
    assert twice == 0


@pytest.mark.parametrize("as_text", [True, False])
def test_in_the_hour_that_occurs_twice_the_order_of_rows_decides(as_text: bool) -> None:
    """Rows step back when the clock is put back; a stray row a little out of order is no such step."""
    walls = ["01:59:00", "02:00:00", "02:30:30", "02:30:00", "02:59:59", "02:00:01", "02:59:59", "03:00:00"]
    found, twice = read([f"2026-10-25T{wall}" for wall in walls], as_text=as_text)
    assert [utc and utc[11:19] for utc in found] == [
        "23:59:00",
        "00:00:00",
        "00:30:30",
        "00:30:00",
        "00:59:59",
        "01:00:01",
        "01:59:59",
        "02:00:00",
    ]
    assert twice == 6


@pytest.mark.parametrize("as_text", [True, False])
def test_times_in_the_skipped_hour_do_not_exist(as_text: bool) -> None:
    found, _ = read(["2026-03-29T01:59:59", "2026-03-29T02:30:00", "2026-03-29T03:00:00"], as_text=as_text)
    assert found == ["2026-03-29T00:59:59Z", None, "2026-03-29T01:00:00Z"]
    assert "does not exist in Europe/Vienna" in why_unusable("2026-03-29T02:30:00", VIENNA)


def test_an_event_gets_the_offset_of_its_zone() -> None:
    assert local_instant("2026-07-01T08:00:00.5", VIENNA) == "2026-07-01T08:00:00.5+02:00"
    assert local_instant("2026-07-01T08:00:00Z", VIENNA) == "2026-07-01T08:00:00Z"
    assert local_instant("2026-01-01T08:00:00", ZoneInfo("America/St_Johns")) == "2026-01-01T08:00:00-03:30"


@pytest.mark.parametrize("as_text", [False, True])
@pytest.mark.parametrize("group_rows", [10, 7, 3, 1])
def test_row_groups_do_not_divide_the_hour_that_occurs_twice(
    group_rows: int, as_text: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which of its two occurrences a row is in follows from the rows of earlier row groups."""
    monkeypatch.setattr(parquet, "PIECE_ROWS", 1, raising=False)
    instants = pd.date_range("2026-10-24T23:50:00Z", "2026-10-25T01:20:00Z", periods=10).as_unit("us")
    local = instants.tz_convert(VIENNA).tz_localize(None)
    time = local.strftime("%Y-%m-%dT%H:%M:%S.%f") if as_text else local
    path = tmp_path / "samples.parquet"
    table = pa.table({"time": pa.array(time), "hammer": ["HB-01"] * 10, "active": [True] * 10})
    pq.write_table(table, path, row_group_size=group_rows)
    [shift] = open_shifts(path, ReadOptions(zone=VIENNA))
    wanted = instants.as_unit("ns").asi8.tolist()
    assert np.concatenate([rows.time_ns for _, rows in shift.pieces()]).tolist() == wanted
    assert (
        np.concatenate([times for k in range(shift.parts) for _, times in shift.times(k)]).tolist() == wanted
    )
