"""Encode the admitted rows of one step as bytes; the database keeps them until the recorder writes a recorded shift.

Layout, version 2, little-endian: the four bytes `SWs2`, the header's length as uint32, the header, then for each entry
of the header's `rows` its times and its columns back to back, each of the form and size in bytes that the entry gives.
Header, in JSON: `{"rows": [[site, hammer, n, [form, size], {channel: [form, size], ...}], ...],
"events": [[site, hammer, kind, time, applied, fields], ...]}`.

What is written each step is synced, copied by checkpoints and read by the recorder, so its bytes cost more than making
them fewer. Measured values are decimals, and times mostly evenly apart. The forms are:

- times: `runs`, the first time, then (step, count) for each run of equal steps, all int64; or `i8`, as they are.
- values: integers of 1, 2 or 4 bytes to be divided by a power of ten, such as `i2/1` for tenths; `?i2/1` has a bit for
  each value before them (1: it is present), and only those that are present. Or `f8`, as they are.

Version 1, `SWs1`, which is still read, has `[site, hammer, n, [channel, ...]]`, and 8 bytes for each time and value.
"""

import json
import struct
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.core.events import Event
from strikewatch.errors import StoreError

MAGIC: Final = b"SWs2"
_MAGIC_1: Final = b"SWs1"
_LENGTH: Final = struct.Struct("<I")
_START: Final = len(MAGIC) + _LENGTH.size
FEW: Final = 64
"""Fewer values than this are written as they are."""
MAX_DIGITS: Final = 3
"""Largest number of decimals of values that are written as integers."""
_DIGITS: Final = tuple(map(str, range(MAX_DIGITS + 1)))
_PROBE: Final = 16
"""From so many values the number of decimals is guessed."""
_PROBE_FROM: Final = 1024
"""Of fewer values it is not guessed: trying all of them takes no longer."""
_INTEGERS: Final = ("i1", "i2", "i4")
_NAN_BITS: Final = np.array(np.nan).view(np.int64)
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
        entries.append([*key, len(part.time_ns), [form, times.nbytes], columns])
    events_found = [[e.site, e.hammer, e.kind, e.time, e.applied, e.fields] for e in events]
    header = _encode_json({"rows": entries, "events": events_found}).encode()
    return b"".join([MAGIC, _LENGTH.pack(len(header)), header, *pieces])


def memory_size(rows: Sequence[tuple[Key, Rows]]) -> int:
    """Return how many bytes the times and values of decoded rows take."""
    return sum([part.time_ns.nbytes * (1 + len(part.columns)) for _, part in rows])


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


def pack_times(time_ns: Ints) -> tuple[str, Any]:
    """Return how times [n] are written, and the array of it."""
    if len(time_ns) >= FEW:
        steps = np.diff(time_ns)
        ends = np.flatnonzero(steps[1:] != steps[:-1]) + 1
        if 4 * len(ends) < len(steps):
            starts = np.concatenate(([0], ends))
            counts = np.diff(np.concatenate((starts, [len(steps)])))
            runs = np.stack((steps[starts], counts), axis=1).ravel()
            return "runs", np.concatenate((time_ns[:1], runs)).astype("<i8", copy=False)
    return "i8", np.ascontiguousarray(time_ns, "<i8")


def unpack_times(blob: bytes, at: int, n: int, form: str, size: int) -> Ints:
    """Return n times from the `size` bytes at position `at`. Raises ValueError for other bytes."""
    written = np.frombuffer(blob, "<i8", size // 8, at).astype(np.int64, copy=False)
    if form == "runs":
        steps, counts = written[1::2], written[2::2]
        if counts.min(initial=0) < 0 or int(counts.sum()) != n - 1 or len(counts) > n:
            raise ValueError(f"{n} times in runs of {counts[:10].tolist()}")
        written = np.cumsum(np.concatenate((written[:1], np.repeat(steps, counts))))
    elif form != "i8" or len(written) != n:
        raise ValueError(f"{len(written)} times, not {n}, in the form {form!r}")
    return written


def pack_values(column: Floats) -> tuple[str, list[Any]]:
    """Return how values [n] are written, and the arrays of it."""
    if len(column) >= FEW:
        missing = np.isnan(column)
        has_missing = bool(missing.any())
        if not has_missing:
            form, values = _as_integers(column)
            if form:
                return form, [values]
        elif np.all(column[missing].view(np.int64) == _NAN_BITS):
            form, values = _as_integers(column[~missing])
            if form:
                return f"?{form}", [np.packbits(~missing), values]
    return "f8", [np.ascontiguousarray(column, "<f8")]


def unpack_values(blob: bytes, at: int, n: int, form: str, size: int) -> Floats:
    """Return n values from the `size` bytes at position `at`. Raises ValueError for other bytes."""
    kind, _, digits = form.removeprefix("?").partition("/")
    bits = (n + 7) // 8 if form.startswith("?") else 0
    known = form == "f8" or (kind in _INTEGERS and digits in _DIGITS)
    if not known:
        raise ValueError(f"{n} values in the unknown form {form!r}")
    written = np.frombuffer(blob, f"<{kind}", (size - bits) // np.dtype(kind).itemsize, at + bits)
    values = written.astype(np.float64, copy=False) / np.float64(10 ** int(digits)) if digits else written
    if bits:
        present = np.unpackbits(np.frombuffer(blob, np.uint8, bits, at), count=n).astype(bool)
        values, dense = np.full(n, np.nan), values
        values[present] = dense
    if len(values) != n:
        raise ValueError(f"{len(values)} values, not {n}")
    return values.astype(np.float64, copy=False)


def _as_integers(values: Floats) -> tuple[str, Any]:
    """Return the integers that values are written as, and their form; an empty one if bits would be lost."""
    if not len(values):
        return "i1/0", np.empty(0, "<i1")
    probe = values[:: len(values) // _PROBE] if len(values) >= _PROBE_FROM else values
    with np.errstate(over="ignore"):
        for digits in range(MAX_DIGITS + 1):
            scale = np.float64(10**digits)
            found = _scaled(probe, scale)
            if found is not None and probe is not values:
                found = _scaled(values, scale)
            if found is not None:
                return f"i{found.itemsize}/{digits}", found
    return "", None


def _scaled(values: Floats, scale: np.float64) -> Any:
    """Return the smallest integers that, divided by `scale`, are the values to the bit; None if there are none."""
    whole = np.rint(values * scale)
    low, high = whole.min(), whole.max()
    for name in _INTEGERS:
        limits = np.iinfo(name)
        if limits.min <= low and high <= limits.max:
            integers = whole.astype(f"<{name}")
            same = np.array_equal((integers / scale).view(np.int64), values.view(np.int64))
            return integers if same else None
    return None
