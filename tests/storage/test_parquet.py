"""A recorded shift holds the given data bit for bit, in the documented layout."""

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.storage.recorder import parquet
from strikewatch.storage.recorder.parquet import write_shift
from tests.profiles import examples

START = 1_772_608_500_000_000_000


def read(folder: Path) -> pq.ParquetFile:
    return pq.ParquetFile(folder / "samples.parquet")


def hammer_rows(table: pa.Table, hammer: str) -> pa.Table:
    return table.filter(pc.equal(table["hammer"].cast(pa.string()), hammer))


@given(
    st.dictionaries(
        st.sampled_from(["HB-01", "HB-02", "Hämmer"]),
        st.dictionaries(
            st.sampled_from(sorted(CHANNELS)),
            arrays(np.uint64, 7, elements=st.integers(0, 2**64 - 1)).map(lambda bits: bits.view(np.float64)),
            max_size=4,
        ),
        min_size=1,
    ),
    st.lists(st.integers(1, 2**40), min_size=7, max_size=7),
)
@settings(max_examples=examples(30))
def test_every_value_comes_back_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, hammers: dict[str, dict[str, np.ndarray]], gaps: list[int]
) -> None:
    """Only NaN changes: it is written as null, whatever its payload."""
    folder = tmp_path_factory.mktemp("shift")
    times = START + np.cumsum(np.array(gaps, np.int64))
    write_shift(folder, "pit", {hammer: Rows(times, columns) for hammer, columns in hammers.items()})
    table = read(folder).read()
    for hammer, columns in hammers.items():
        part = hammer_rows(table, hammer)
        assert part["time"].cast(pa.int64()).to_numpy().tolist() == times.tolist()
        for name in set(table.column_names) - {"time", "site", "hammer"}:
            given_column = columns.get(name, np.full(7, np.nan))
            back = part[name].combine_chunks()
            assert back.is_null().to_pylist() == np.isnan(given_column).tolist()
            values = back.drop_null().cast(pa.float64()).to_numpy(zero_copy_only=False)
            if back.type == pa.bool_():
                assert values.tolist() == given_column[~np.isnan(given_column)].tolist()
            else:
                assert values.tobytes() == given_column[~np.isnan(given_column)].tobytes()


@given(
    sizes=st.lists(st.integers(0, 9), max_size=8),
    group_rows=st.integers(1, 7),
    with_oil=st.lists(st.booleans(), min_size=8, max_size=8),
)
@settings(max_examples=examples(30))
def test_parts_are_written_like_the_whole(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], group_rows: int, with_oil: list[bool]
) -> None:
    folder = tmp_path_factory.mktemp("shift")
    parts, n = [], 0
    for size, oil in zip(sizes, with_oil, strict=False):
        times = START + np.arange(n, n + size) * 100_000_000
        columns = {"pressure_bar": np.arange(n, n + size) / 3} | (
            {"oil_c": np.full(size, 60.5)} if oil else {}
        )
        parts.append(Rows(times, columns))
        n += size
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parquet, "GROUP_ROWS", group_rows)
        parquet.write_parts(folder / "parts", "pit", {"HB-01": parts})
        write_shift(folder / "whole", "pit", {"HB-01": Rows.join(parts)} if parts else {})
    one, other = ((folder / name / "samples.parquet").read_bytes() for name in ("parts", "whole"))
    assert one == other


def test_the_layout_is_that_of_the_documented_contract(tmp_path: Path) -> None:
    """One hammer a row group, sorted, at most 131,072 rows; encodings, types and the mark of a live feed."""
    n = parquet.GROUP_ROWS + 5
    long = Rows(
        START + np.arange(n) * 100_000_000,
        {"pressure_bar": np.linspace(0, 300, n), "active": np.where(np.arange(n) % 3, 1.0, np.nan)},
    )
    short = Rows(long.time_ns[:3], {"oil_c": np.array([60.0, np.nan, 61.5])})
    write_shift(tmp_path, "pit", {"HB-01": long, "HB-02": short}, live=True)
    file = read(tmp_path)
    schema = file.schema_arrow
    assert schema.names == ["time", "site", "hammer", "active", "pressure_bar", "oil_c"]
    assert schema.field("time").type == pa.timestamp("ns", tz="UTC")
    assert schema.field("active").type == pa.bool_()
    assert schema.field("oil_c").type == pa.float64()
    assert schema.metadata[b"strikewatch.feed"] == b"as it came"
    groups = [file.metadata.row_group(i) for i in range(file.metadata.num_row_groups)]
    assert [group.num_rows for group in groups] == [parquet.GROUP_ROWS, 5, 3]
    for i, group in enumerate(groups):
        chunks = {group.column(c).path_in_schema: group.column(c) for c in range(group.num_columns)}
        assert "DELTA_BINARY_PACKED" in chunks["time"].encodings
        assert "BYTE_STREAM_SPLIT" in chunks["oil_c"].encodings
        assert {chunk.compression for chunk in chunks.values()} == {"ZSTD"}
        assert chunks["time"].statistics.has_min_max
        part = file.read_row_group(i)
        assert len(part["hammer"].unique()) == 1
        assert np.all(np.diff(part["time"].cast(pa.int64()).to_numpy()) > 0)


def test_events_keep_their_fields_and_the_time_they_took_effect(tmp_path: Path) -> None:
    events = [
        Event("pit", "HB-01", "sign_on", START, {"operator": "op-14"}, applied=START),
        Event("pit", "HB-01", "grease", START, {"strokes": [12, 12]}, applied=START + 7),
        Event("pit", "HB-01", "check", START + 1_000, {"result": "ok", "note": "é\n"}),
    ]
    write_shift(tmp_path, "pit", {}, events)
    lines = [json.loads(line) for line in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    assert lines == [
        {"time": "2026-03-04T07:15:00.000000Z", "hammer": "HB-01", "event": "sign_on", "operator": "op-14"},
        {
            "time": "2026-03-04T07:15:00.000000Z",
            "hammer": "HB-01",
            "event": "grease",
            "strokes": [12, 12],
            "applied": "2026-03-04T07:15:00.000000007Z",
        },
        {
            "time": "2026-03-04T07:15:00.000001Z",
            "hammer": "HB-01",
            "event": "check",
            "result": "ok",
            "note": "é\n",
        },
    ]
    assert read(tmp_path).metadata.num_rows == 0
    write_shift(tmp_path, "pit", {})
    assert not (tmp_path / "events.jsonl").exists()


@given(st.integers(instant.EARLIEST, instant.LATEST))
def test_exact_text_loses_no_nanosecond(moment: int) -> None:
    assert instant.parse(instant.exact_text(moment)) == moment


def test_a_boolean_channel_with_an_impossible_value_keeps_it(tmp_path: Path) -> None:
    write_shift(tmp_path, "pit", {"HB-01": Rows(np.array([START]), {"active": np.array([2.0])})})
    assert read(tmp_path).read()["active"].to_pylist() == [2.0]


def test_rows_that_are_not_in_time_order_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="HB-01 are not in time order"):
        write_shift(tmp_path, "pit", {"HB-01": Rows(np.array([2, 1]), {})})
