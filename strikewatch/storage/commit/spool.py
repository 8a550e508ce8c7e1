"""Encode the admitted rows of one step as bytes; the database keeps them until the recorder writes a recorded shift.

Layout, version 1, little-endian: the four bytes `SWs1`, the header's length as uint32, the header, then for
each entry of the header's `rows` its times (int64) and its columns (float64) back to back. Header, in JSON:
`{"rows": [[site, hammer, n, [channel, ...]], ...],
"events": [[site, hammer, kind, time, applied, fields], ...]}`.
"""

import json
import struct
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Floats, Key, Rows
from strikewatch.core.events import Event
from strikewatch.errors import StoreError

MAGIC: Final = b"SWs1"
_LENGTH: Final = struct.Struct("<I")
_START: Final = len(MAGIC) + _LENGTH.size


def encode(rows: Sequence[tuple[Key, Rows]], events: Sequence[Event] = ()) -> bytes:
    """Encode rows, and the events that took effect with them, without losing a bit."""
    header = json.dumps(
        {
            "rows": [[*key, len(part), list(part.columns)] for key, part in rows],
            "events": [[e.site, e.hammer, e.kind, e.time, e.applied, e.fields] for e in events],
        },
        separators=(",", ":"),
    ).encode()
    pieces: list[bytes | memoryview] = [MAGIC, _LENGTH.pack(len(header)), header]
    for _, part in rows:
        pieces.append(np.ascontiguousarray(part.time_ns, "<i8").data)
        pieces += [np.ascontiguousarray(column, "<f8").data for column in part.columns.values()]
    return b"".join(pieces)


def decode(blob: bytes) -> tuple[list[tuple[Key, Rows]], list[Event]]:
    """Decode what `encode` wrote. Raises StoreError for anything else."""
    if blob[: len(MAGIC)] != MAGIC:
        raise StoreError(
            f"a spooled step of unknown layout {blob[: len(MAGIC)]!r}: written by another version"
        )
    try:
        (length,) = _LENGTH.unpack_from(blob, len(MAGIC))
        header: dict[str, list[list[Any]]] = json.loads(blob[_START : _START + length])
        at = _START + length
        rows: list[tuple[Key, Rows]] = []
        for site, hammer, n, names in header["rows"]:
            times = np.frombuffer(blob, "<i8", n, at).astype(np.int64, copy=False)
            at += times.nbytes
            columns: dict[str, Floats] = {}
            for name in names:
                columns[name] = np.frombuffer(blob, "<f8", n, at).astype(np.float64, copy=False)
                at += columns[name].nbytes
            rows.append(((site, hammer), Rows(times, columns)))
        events = [
            Event(site, hammer, kind, time, fields, applied)
            for site, hammer, kind, time, applied, fields in header["events"]
        ]
    except (ValueError, KeyError, TypeError, struct.error) as error:
        raise StoreError(f"a spooled step is damaged: {error}") from error
    if at != len(blob):
        raise StoreError(f"a spooled step is damaged: {len(blob) - at} bytes beyond its end")
    return rows, events
