"""However a table is written down as CSV, the same alerts are found; a broken field costs itself alone."""

from collections.abc import Callable
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pytest

from strikewatch.sources import recordings
from tests.recordings.shapes import SITE, csv, folder, frame, parquet, replayed


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return parquet(tmp_path_factory.mktemp("reference"), frame()).records


def written(time: Callable[[pd.Timestamp], str], **options: Any) -> str:
    f = frame()
    return f.assign(time=[time(t) for t in f["time"]]).to_csv(index=False, **options)


def utc(t: pd.Timestamp) -> str:
    return t.strftime("%Y-%m-%dT%H:%M:%S.%f") + "Z"


def elsewhere(t: pd.Timestamp) -> str:
    return t.tz_convert(timezone(timedelta(hours=-8))).isoformat()


WAYS: dict[str, Callable[[], str | bytes]] = {
    "microseconds": lambda: written(utc),
    "one digit": lambda: written(lambda t: utc(t)[:21] + "Z"),
    "nine digits": lambda: written(lambda t: utc(t)[:-1] + "000Z"),
    "no digits where whole": lambda: written(lambda t: utc(t).replace(".000000", "")),
    "an offset": lambda: written(elsewhere),
    "small letters": lambda: written(lambda t: utc(t).lower()),
    "forms mixed": lambda: written(lambda t: elsewhere(t) if t.microsecond else utc(t)),
    "a space for the T": lambda: frame().to_csv(index=False),
    "a space for the T, and Z": lambda: written(lambda t: utc(t).replace("T", " ")),
    "lower-case words": lambda: written(utc).replace("True", "true").replace("False", "false"),
    "one and nought": lambda: written(utc).replace("True", "1").replace("False", "0"),
    "byte order mark": lambda: b"\xef\xbb\xbf" + written(utc).encode(),
    "quoted": lambda: written(utc, quoting=1),
    "carriage returns": lambda: written(utc, lineterminator="\r\n"),
    "blanks in the heading": lambda: written(utc).replace("time,hammer,active", "time, hammer , active"),
    "columns in another order": lambda: written(
        utc, columns=["oil_c", "active", "hammer", "time", "pressure_bar"]
    ),
    "unknown and site columns": lambda: (
        frame().assign(time=lambda f: [utc(t) for t in f["time"]], site=SITE, note="a, b").to_csv(index=False)
    ),
    "no newline at the end": lambda: written(utc).rstrip("\n"),
}


@pytest.mark.parametrize("way", WAYS)
def test_every_form_of_csv_gives_the_same_alerts(
    way: str, reference: list[dict[str, Any]], tmp_path: Path
) -> None:
    """RFC 3339 in every form, yes and no in every word, and what spreadsheets do to a file."""
    result = csv(tmp_path, WAYS[way]())
    assert result.records == reference
    assert not +result.bad


@pytest.mark.parametrize(
    "nothing", ["", "null", "NaN", "nan", "NULL", "n/a", "N/A", "NA", "-", "#N/A", "None", " "]
)
def test_an_empty_field_is_not_sampled(nothing: str, reference: list[dict[str, Any]], tmp_path: Path) -> None:
    f = frame()
    f = f.assign(time=[utc(t) for t in f["time"]], pressure_bar=f["pressure_bar"].mask(f.index % 6 == 1))
    result = csv(tmp_path, f.to_csv(index=False, na_rep=nothing))
    assert [r["id"] for r in result.records] == [r["id"] for r in reference]
    assert not +result.bad
    assert not +result.cells


def test_each_unreadable_field_is_left_out_alone(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    """A row without instant, hammer or the right number of fields cannot be used. A cell of a channel costs the cell.

    Each is counted under its column, the first of each with its place, its value and what is wrong with it.
    """
    lines = written(utc).splitlines()
    good = "2026-03-04T07:00:01.100Z,HB-01,False,20.0,75.0"
    other = good.replace("1.100Z", "1.200Z")
    third = good.replace("1.100Z", "1.300Z")
    broken = [
        good.replace("07:00", "25:00"),
        good.replace("2026-03-04", "2026-02-30"),
        good.replace("1.100Z", "1.100"),
        good.replace("HB-01", ""),
        good.replace("False", "perhaps"),
        other.replace("75.0", "warm"),
        third.replace("20.0", '"20,0"'),
        good.replace("20.0", "20,0"),
        good.removesuffix(",75.0"),
    ]
    result = csv(tmp_path, "\n".join([*lines[:5], *broken, *lines[5:]]))
    assert +result.bad == {"time": 3, "hammer": 1, "fields": 2}
    assert +result.cells == {"active": 1, "oil_c": 1, "pressure_bar": 1}
    assert "samples.csv: row 6: `time` '2026-03-04T25:00:01.100Z' is not a date" in result.examples["time"]
    assert "samples.csv: row 11: `oil_c` is 'warm'" in result.examples["oil_c"]
    assert "row 13: 6 fields where the first line has 5" in result.examples["fields"]
    assert [one["id"] for one in result.records] == [one["id"] for one in reference]


def test_many_tables_are_read_again_rather_than_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A year of CSV files does not fit into memory. Results, counts and examples are those of tables that are kept."""
    for day, form in enumerate((written, lambda time: written(time, sep=";", decimal=","))):
        shift = folder(tmp_path / f"day-{day}")
        text = form(lambda t, day=day: utc(t + pd.Timedelta(day, "D")))
        broken = text.splitlines()[7].replace("2026", "1926").replace("HB-0", "HB-9")
        unreadable = text.splitlines()[8].replace("False", "perhaps")
        (shift / "samples.csv").write_text("\n".join([text, broken, unreadable]))
    kept = replayed(tmp_path)
    assert len(kept.records) > 6
    assert +kept.bad == {"time": 2}
    assert +kept.cells == {"active": 2}
    size = sum(path.stat().st_size for path in tmp_path.rglob("*.csv"))
    monkeypatch.setattr(recordings, "MAX_CSV_BYTES", size - 1)
    before = pa.total_allocated_bytes()
    shifts = recordings.open_shifts(tmp_path)
    assert pa.total_allocated_bytes() - before < size / 10
    assert [shift.span() for shift in shifts] == [shift.span() for shift in shifts[:1]] + [
        tuple(end + 86_400 * 10**9 for end in shifts[0].span())
    ]
    again = replayed(tmp_path)
    for name in ("records", "counts", "bad", "cells", "examples", "silent", "lost", "begin", "end"):
        assert getattr(again, name) == getattr(kept, name), name


def test_aliases_in_text(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    f = frame()
    f = f.assign(time=[utc(t) for t in f["time"]], oil_f=f["oil_c"] * 1.8 + 32).drop(columns="oil_c")
    assert [r["id"] for r in csv(tmp_path, f.to_csv(index=False)).records] == [r["id"] for r in reference]
