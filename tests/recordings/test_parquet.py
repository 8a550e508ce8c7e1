"""However a table is written down as Parquet, the same alerts are found."""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pytest

from strikewatch.sources.recordings import open_shifts
from tests.recordings.shapes import EVENTS, SITE, column, folder, frame, parquet, replayed


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    records = parquet(tmp_path_factory.mktemp("reference"), frame()).records
    assert {r["fault"] for r in records} == {"same_spot", "hot_oil", "grease_short"}
    assert {r["operator"] for r in records} == {"op-14", None}
    return records


def _cast(kind: Any) -> Callable[[Any], Any]:
    return lambda values: values.cast(kind)


def _naive(unit: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda f: f.assign(time=f["time"].dt.tz_localize(None).dt.as_unit(unit))


WAYS: dict[str, Callable[[pd.DataFrame], Any]] = {
    "milliseconds": column("time", _cast(pa.timestamp("ms", "UTC"))),
    "microseconds": column("time", _cast(pa.timestamp("us", "UTC"))),
    "another zone": lambda f: f.assign(time=f["time"].dt.tz_convert("Asia/Kolkata")),
    "naive is UTC": _naive("ns"),
    "naive microseconds": _naive("us"),
    "time as RFC 3339 text": column("time", lambda c: pa.array([t.isoformat() for t in c.to_pandas()])),
    "category hammer": lambda f: f.assign(hammer=f["hammer"].astype("category")),
    "large string hammer": column("hammer", _cast(pa.large_string())),
    "blanks around a hammer's name": lambda f: f.assign(
        hammer=f["hammer"].where(f.index % 3 > 0, " HB-01 ")
    ).assign(hammer=lambda g: g["hammer"].where(f["hammer"] == "HB-01", "HB-02")),
    "active as int": lambda f: f.assign(active=f["active"].astype(int)),
    "active as float": lambda f: f.assign(active=f["active"].astype(float)),
    "active as nullable bool": lambda f: f.assign(active=f["active"].astype("boolean")),
    "active as object": lambda f: f.assign(active=f["active"].astype(object)),
    "pressure as int": lambda f: f.assign(pressure_bar=f["pressure_bar"].astype("int16")),
    "pressure as float32": lambda f: f.assign(pressure_bar=f["pressure_bar"].astype("float32")),
    "pressure as category": lambda f: f.assign(pressure_bar=f["pressure_bar"].astype("category")),
    "oil as float16": column("oil_c", lambda c: pa.array(c.to_numpy().astype(np.float16))),
    "oil as decimal": lambda f: f.assign(oil_c=[Decimal(str(v)) for v in f["oil_c"]]),
    "site in a column": lambda f: f.assign(site=SITE),
    "site in a category": lambda f: f.assign(site=pd.Series([SITE] * len(f), dtype="category")),
    "site in some rows": lambda f: f.assign(site=[SITE if i % 5 else None for i in range(len(f))]),
    "site in no row": lambda f: f.assign(site=pd.Series([None] * len(f), dtype="str")),
    "unknown columns": lambda f: f.assign(colour="red", nested=[[1, 2]] * len(f))[
        ["nested", "colour", *f.columns]
    ],
    "nested before the rest": lambda f: f.assign(at=[{"x": 1, "y": 2}] * len(f))[["at", *f.columns]],
    "hammer after hammer": lambda f: f.sort_values(["hammer", "time"]),
    "other channels, never sampled": lambda f: f.assign(engine_rpm=np.nan, water_m=None),
}


@pytest.mark.parametrize("rows_a_group", [1_000, 160, 37])
@pytest.mark.parametrize("way", WAYS)
def test_however_it_is_written(
    way: str, rows_a_group: int, reference: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Times in every unit and zone, names in every coding, several hammers in a row group and one."""
    result = parquet(tmp_path, WAYS[way](frame()), row_group_size=rows_a_group)
    assert result.records == reference
    assert not +result.bad


def test_whole_seconds(tmp_path: Path) -> None:
    """Arrow's second unit, which Parquet itself does not keep."""
    whole = frame().loc[lambda f: f["time"].dt.microsecond == 0]
    seconds = column("time", lambda c: c.cast(pa.timestamp("s", "UTC")))(whole)
    assert parquet(tmp_path / "s", seconds).records == parquet(tmp_path / "ns", whole).records


def test_fahrenheit_and_psi_give_the_same_instants(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    f = frame()
    imperial = f.assign(oil_f=f["oil_c"] * 1.8 + 32.0, pressure_psi=f["pressure_bar"] * 14.503773773)
    records = parquet(tmp_path, imperial.drop(columns=["oil_c", "pressure_bar"])).records
    fields = ("id", "fault", "onset", "cleared", "priority", "operator")
    assert [[r[n] for n in fields] for r in records] == [[r[n] for n in fields] for r in reference]


def test_a_missing_value_is_not_sampled(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    """Null and NaN alike, in any channel, hold the last value."""
    f = frame()
    third = (f.index // 2) % 3 == 1
    steady = f.assign(active=f["active"].astype("boolean").mask(third & ((f.index // 2) % 20 != 0)))
    records = parquet(tmp_path, steady.assign(oil_c=f["oil_c"].mask(third))).records
    spots = [r["onset"] for r in records if r["fault"] == "same_spot"]
    assert spots == [r["onset"] for r in reference if r["fault"] == "same_spot"]


def test_without_a_channel_its_rules_are_silent(tmp_path: Path) -> None:
    assert {r["fault"] for r in parquet(tmp_path, frame().drop(columns="oil_c")).records} == {
        "same_spot",
        "grease_short",
    }


@pytest.mark.parametrize("rows_a_group", [1_000, 160])
def test_never_active_fires_by_pressure(rows_a_group: int, tmp_path: Path) -> None:
    """`active` of HB-01 is all null: it fires from 10 s by its pressure, whose values hold as `active` does."""
    f = frame().sort_values(["hammer", "time"])
    f = f.assign(active=f["active"].astype("boolean").mask(f["hammer"] == "HB-01"))
    records = parquet(tmp_path, f, row_group_size=rows_a_group).records
    onsets = {r["hammer"]: r["onset"] for r in records if r["fault"] == "same_spot"}
    assert onsets == dict.fromkeys(("HB-01", "HB-02"), "2026-03-04T07:00:25.000000Z")


def test_active_sampled_only_late_counts_for_the_whole_shift(tmp_path: Path) -> None:
    """The channels of a feed are those of the whole shift, so it does not fire by pressure before."""
    f = frame()
    late = f["time"] >= f["time"].iloc[0] + pd.Timedelta(60, "s")
    assert not [
        r
        for r in parquet(tmp_path, f.assign(active=f["active"].astype("boolean").mask(~late))).records
        if r["fault"] == "same_spot"
    ]


def test_two_sites_may_use_one_name(tmp_path: Path) -> None:
    """The same hammer name at two sites is two hammers; site and id together name an alert."""
    f = pd.concat([frame().assign(site="upper"), frame().assign(site="lower")]).sort_values("time")
    records = parquet(tmp_path, f, row_group_size=100).records
    spots = [r for r in records if r["fault"] == "same_spot"]
    assert {(r["site"], r["hammer"]) for r in spots} == {
        (s, h) for s in ("upper", "lower") for h in ("HB-01", "HB-02")
    }
    assert len({(r["site"], r["id"]) for r in records}) == len(records)


def test_rows_out_of_order_within_two_seconds_are_put_in_order(
    reference: list[dict[str, Any]], tmp_path: Path
) -> None:
    f = frame()
    jumbled = f.iloc[np.argsort(np.arange(len(f)) + np.random.default_rng(5).uniform(0, 7, len(f)))]
    assert not jumbled["time"].is_monotonic_increasing
    assert parquet(tmp_path, jumbled, row_group_size=50).records == reference


def test_rows_that_come_late_are_put_in_their_place_and_doubles_are_not_used(
    reference: list[dict[str, Any]], tmp_path: Path
) -> None:
    f = frame()
    double = f.iloc[[200, 201]].assign(oil_c=200.0)
    result = parquet(tmp_path, pd.concat([f.iloc[10:202], double, f.iloc[:10], f.iloc[202:]]))
    assert (result.counts.used, result.counts.late, result.counts.duplicate) == (len(f), 0, 2)
    assert result.records == reference
    assert any("duplicates" in note for note in result.notes())


def test_bad_rows_are_counted_placed_and_skipped(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    f = frame()
    nameless = f.iloc[[3]].assign(hammer=None)
    timeless = f.iloc[[3, 4]].assign(time=pd.NaT)
    far = f.iloc[[3]].assign(time=pd.Timestamp("2150-01-01T00:00:00Z"))
    result = parquet(tmp_path, pd.concat([f, nameless, timeless, far]), row_group_size=100)
    assert +result.bad == {"hammer": 1, "time": 3}
    assert "samples.parquet: row 321: `hammer` is empty" in result.examples["hammer"]
    assert result.records == reference


def test_bad_events_are_counted_and_placed(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    shift = folder(tmp_path)
    frame().to_parquet(shift / "samples.parquet")
    events = shift / "events.jsonl"
    events.write_text('{"time": "yesterday", "hammer": "HB-01"}\n\nnot json\n[1]\n' + events.read_text())
    result = replayed(shift)
    assert result.bad["event"] == 3
    assert "line 1" in result.examples["event"]
    assert result.records == reference


def test_open_shifts_hold_no_file_open(tmp_path: Path) -> None:
    """Or a year of hourly recordings would meet the limit of open files."""
    shift = folder(tmp_path)
    frame().to_parquet(shift / "samples.parquet", index=False)

    def opened() -> int:
        return len(list(Path("/dev/fd").iterdir()))

    before = opened()
    shifts = [one for _ in range(20) for one in open_shifts(shift)]
    assert [len(list(one.pieces())) for one in shifts] == [2] * 20
    assert opened() < before + 20


def test_events_need_not_be_there(tmp_path: Path) -> None:
    shift = folder(tmp_path)
    frame().to_parquet(shift / "samples.parquet")
    (shift / "events.jsonl").unlink()
    result = replayed(shift)
    assert {(r["fault"], r["operator"]) for r in result.records} == {("same_spot", None), ("hot_oil", None)}


def test_a_folder_of_shifts_is_one_recording(reference: list[dict[str, Any]], tmp_path: Path) -> None:
    """Cut in the middle of a spot, in name order; folders whose names begin with a dot are left out."""
    f = frame().assign(site=SITE)
    cut = f["time"].iloc[0] + pd.Timedelta(20, "s")
    for name, part in (("2-later", f[f["time"] >= cut]), ("1-first", f[f["time"] < cut]), (".half", f)):
        shift = folder(tmp_path / name, EVENTS if name == "1-first" else [])
        part.to_parquet(shift / "samples.parquet")
    (tmp_path / "notes").mkdir()
    assert replayed(tmp_path).records == reference
