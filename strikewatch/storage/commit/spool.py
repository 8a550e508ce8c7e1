"""Encode the admitted rows of one step as bytes; the database keeps them until the recorder writes a recorded shift.

Layout, version 2, little-endian: the four bytes `SWs2`, the header's length as uint32, the header, then for each entry
of the header's `rows` its times and its columns back to back, each of the form and size in bytes that the entry gives
(see `compact`). Header, in JSON: `{"rows": [[site, hammer, n, [form, size], {channel: [form, size], ...}], ...],
"events": [[site, hammer, kind, time, applied, fields], ...]}`.

Version 1, `SWs1`, which is still read, has `[site, hammer, n, [channel, ...]]`, and 8 bytes for each time and value.
"""

import json
import struct
from collections.abc import Sequence
from typing import Any, Final

from strikewatch.core.batch import Floats, Key, Rows
from strikewatch.core.events import Event
from strikewatch.errors import StoreError
from strikewatch.storage.commit.compact import pack_times, pack_values, unpack_times, unpack_values

MAGIC: Final = b"SWs2"
_MAGIC_1: Final = b"SWs1"
_LENGTH: Final = struct.Struct("<I")
_START: Final = len(MAGIC) + _LENGTH.size
_encode_json: Final = json.JSONEncoder(separators=(",", ":")).encode


def encode(rows: Sequence[tuple[Key, Rows]], events: Sequence[Event] = ()) -> bytes:
    """Encode rows, and the events that took effect with them, without losing a bit."""
    entries: list[list[Any]] = []
    pieces: list[memoryview] = []
    for key, part in rows:
        form, times = pack_times(part.time_ns)
        pieces.append(times.data)
        columns = {}
        for name, column in part.columns.items():
            its_form, arrays = pack_values(column)
            pieces += [array.data for array in arrays]
            columns[name] = its_form, sum([array.nbytes for array in arrays])
        entries.append([*key, len(part), [form, times.nbytes], columns])
    events_found = [[e.site, e.hammer, e.kind, e.time, e.applied, e.fields] for e in events]
    header = _encode_json({"rows": entries, "events": events_found}).encode()
    return b"".join([MAGIC, _LENGTH.pack(len(header)), header, *pieces])


def memory_size(rows: Sequence[tuple[Key, Rows]]) -> int:
    """Return how many bytes the times and values of decoded rows take."""
    return sum([8 * len(part) * (1 + len(part.columns)) for _, part in rows])


def decode(blob: bytes) -> tuple[list[tuple[Key, Rows]], list[Event]]:
    """Decode what `encode` wrote. Raises StoreError for anything else."""
    magic = blob[: len(MAGIC)]
    if magic not in (MAGIC, _MAGIC_1):
        raise StoreError(f"a spooled step of unknown layout {magic!r}: written by another version")
    try:
        (length,) = _LENGTH.unpack_from(blob, len(MAGIC))
        header: dict[str, list[list[Any]]] = json.loads(blob[_START : _START + length])
        at = _START + length
        rows: list[tuple[Key, Rows]] = []
        for site, hammer, n, *forms in header["rows"]:
            if magic == _MAGIC_1:
                forms = [["i8", 8 * n], {name: ["f8", 8 * n] for name in forms[0]}]
            times, columns = forms
            time_ns = unpack_times(blob, at, n, *times)
            at += times[1]
            values: dict[str, Floats] = {}
            for name, (form, size) in columns.items():
                values[name] = unpack_values(blob, at, n, form, size)
                at += size
            rows.append(((site, hammer), Rows(time_ns, values)))
        events = [
            Event(site, hammer, kind, time, fields, applied)
            for site, hammer, kind, time, applied, fields in header["events"]
        ]
    except (ValueError, KeyError, TypeError, AttributeError, struct.error) as error:
        raise StoreError(f"a spooled step is damaged: {error}") from error
    if at != len(blob):
        raise StoreError(f"a spooled step is damaged: {len(blob) - at} bytes beyond its end")
    return rows, events
