"""Write a recorded shift: `samples.parquet` and `events.jsonl`.

Each row group holds one hammer in event time, so that a reader needs memory for one hammer at a time. Times are
delta-encoded and floats split by byte before zstd, which is smaller and faster to read than the defaults.
"""

import json
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Key, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event

SAMPLES: Final = "samples.parquet"
EVENTS: Final = "events.jsonl"
GROUP_ROWS: Final = 131_072
"""Largest number of rows in a row group."""

FEED: Final = b"strikewatch.feed"
AS_IT_CAME: Final = b"as it came"
"""Metadata of `samples.parquet`: its rows are an admitted live stream, which a replay does not admit again."""


def write_shift(
    folder: Path, site: str, rows: Mapping[str, Rows], events: Iterable[Event] = (), live: bool = False
) -> None:
    """Write one recorded shift of `site` into `folder`, which is created or whose older recording is replaced.

    `rows`: each hammer's samples in event time; NaN is written as null, every other value bit for bit. `live`: mark
    the rows as an admitted live stream. Raises ValueError if a hammer's times go backwards, OSError if the disk fails.
    """
    write_parts(folder, site, {hammer: [part] for hammer, part in rows.items()}, events, live)


def write_parts(
    folder: Path,
    site: str,
    rows: Mapping[str, Sequence[Rows]],
    events: Iterable[Event] = (),
    live: bool = False,
) -> None:
    """Write a recorded shift like `write_shift`, from each hammer's samples in parts; only a row group is copied."""
    folder.mkdir(parents=True, exist_ok=True)
    for hammer, parts in rows.items():
        newest = None
        for part in parts:
            if np.any(np.diff(part.time_ns) < 0) or (
                newest is not None and np.any(part.time_ns[:1] < newest)
            ):
                raise ValueError(f"rows of {hammer} are not in time order: sort them before recording")
            newest = part.time_ns[-1] if len(part) else newest
    all_parts = [part for parts in rows.values() for part in parts]
    present = {name for part in all_parts for name in part.columns}
    booleans = [
        name
        for name in present
        if _is_bool(name, [part.columns[name] for part in all_parts if name in part.columns])
    ]
    with SamplesWriter(folder / SAMPLES, present, booleans, live) as writer:
        for hammer, parts in rows.items():
            for group in _groups(parts):
                writer.write((site, hammer), group)
    write_events(folder, events)


class SamplesWriter:
    """Writes `samples.parquet` one row group at a time. `booleans`: the columns that hold only 0, 1 and NaN."""

    def __init__(
        self, path: Path, names: Iterable[str], booleans: Container[str] = (), live: bool = False
    ) -> None:
        self._schema = _schema(names, booleans, live)
        floats = [field.name for field in self._schema if field.type == pa.float64()]
        self._writer = pq.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            use_dictionary=["site", "hammer"],
            column_encoding={"time": "DELTA_BINARY_PACKED"} | dict.fromkeys(floats, "BYTE_STREAM_SPLIT"),
            write_statistics=True,
        )

    def write(self, key: Key, rows: Rows) -> None:
        """Write at most GROUP_ROWS rows of a hammer as a row group."""
        table = _table(self._schema, key[0], key[1], rows)
        self._writer.write_table(table, row_group_size=GROUP_ROWS)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._writer.close()


def write_events(folder: Path, events: Iterable[Event], *, with_site: bool = False) -> None:
    """Write `events.jsonl` into a folder; without events remove it."""
    objects = [({"site": event.site} if with_site else {}) | event_object(event) for event in events]
    lines = [json.dumps(one, ensure_ascii=False) + "\n" for one in objects]
    if lines:
        (folder / EVENTS).write_text("".join(lines), encoding="utf-8")
    else:
        (folder / EVENTS).unlink(missing_ok=True)


def _groups(parts: Iterable[Rows]) -> Iterator[Rows]:
    """Yield the rows of all parts, GROUP_ROWS at a time."""
    group: list[Rows] = []
    room = GROUP_ROWS
    for part in parts:
        start = 0
        while start < len(part):
            group.append(part[start : start + room])
            start += len(group[-1])
            room -= len(group[-1])
            if not room:
                yield Rows.join(group)
                group, room = [], GROUP_ROWS
    if group:
        yield Rows.join(group)


def event_object(event: Event) -> dict[str, Any]:
    """Return the event as an object of `events.jsonl`; with `applied` only if it took effect later than it happened."""
    shown: dict[str, Any] = {
        "time": instant.exact_text(event.time),
        "hammer": event.hammer,
        "event": event.kind,
    }
    shown |= event.fields
    if event.applied > event.time:
        shown["applied"] = instant.exact_text(event.applied)
    return shown


def _schema(names: Iterable[str], booleans: Container[str], live: bool) -> pa.Schema:
    """Return the schema of columns: known channels in their order, then any others by name."""
    present = set(names)
    ordered = [name for name in CHANNELS if name in present] + sorted(present - CHANNELS.keys())
    word = pa.dictionary(pa.int32(), pa.string())
    fields = [
        pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False),
        pa.field("site", word, nullable=False),
        pa.field("hammer", word, nullable=False),
        *(pa.field(name, pa.bool_() if name in booleans else pa.float64()) for name in ordered),
    ]
    return pa.schema(fields, metadata={FEED: AS_IT_CAME} if live else None)


def _is_bool(name: str, columns: list[Floats]) -> bool:
    """Return whether a column can be written as booleans; a value other than 0 and 1 keeps it a number."""
    channel = CHANNELS.get(name)
    if channel is None or not channel.boolean:
        return False
    return all(bool(np.all((column == 0.0) | (column == 1.0) | np.isnan(column))) for column in columns)


def _table(schema: pa.Schema, site: str, hammer: str, part: Rows) -> pa.Table:
    """Return one row group: constant site and hammer, and null where a channel is NaN or absent."""
    n = len(part)
    arrays = [
        _array(schema.field("time").type, n, part.time_ns.astype(np.int64)),
        _word(site, n),
        _word(hammer, n),
    ]
    for field in list(schema)[3:]:
        column = part.columns.get(field.name)
        if column is None:
            arrays.append(pa.nulls(n, field.type))
            continue
        known = column == column
        values = np.packbits(column == 1.0, bitorder="little") if field.type == pa.bool_() else column
        arrays.append(_array(field.type, n, values, None if known.all() else known))
    return pa.Table.from_arrays(arrays, schema=schema)


# Arrow's own conversions of numpy arrays and of lists import pandas, so buffers are given here.


def _array(kind: Any, n: int, values: npt.NDArray[Any], valid: npt.NDArray[np.bool_] | None = None) -> Any:
    """Return an Arrow array of n values, null where not `valid`."""
    bits = None if valid is None else pa.py_buffer(np.packbits(valid, bitorder="little"))
    return pa.Array.from_buffers(kind, n, [bits, pa.py_buffer(np.ascontiguousarray(values))])


def _word(word: str, n: int) -> Any:
    """Return a dictionary-encoded column of one word."""
    text = word.encode()
    ends = pa.py_buffer(np.array([0, len(text)], np.int32))
    words = pa.Array.from_buffers(pa.string(), 1, [None, ends, pa.py_buffer(text)])
    return pa.DictionaryArray.from_arrays(_array(pa.int32(), n, np.zeros(n, np.int32)), words)
