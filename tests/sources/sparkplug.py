"""Payloads of Sparkplug B for tests, written by hand from the wire format, without the library that reads them.

Sources: Sparkplug 3.0.0 section 6.4.1 (schema); Protocol Buffers Documentation, Encoding.
"""

import struct
from collections.abc import Iterable
from typing import Any

INT8, INT16, INT32, INT64, UINT8, UINT16, UINT32, UINT64, FLOAT, DOUBLE, BOOLEAN, STRING, DATETIME = range(
    1, 14
)
DATASET, BYTES = 16, 17

T0_MS = 1_772_608_500_000
"""2026-03-04T07:15:00Z."""


def varint(number: int) -> bytes:
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def field(number: int, value: Any, kind: str = "") -> bytes:
    """Encode one field; nothing for None."""
    if value is None:
        return b""
    if kind in ("float", "double"):
        wire, form = (5, "<f") if kind == "float" else (1, "<d")
        return varint(number << 3 | wire) + struct.pack(form, value)
    if isinstance(value, int):
        return varint(number << 3) + varint(int(value))
    data = value.encode() if isinstance(value, str) else value
    return varint(number << 3 | 2) + varint(len(data)) + data


def value_field(value: Any, datatype: int) -> bytes:
    """Encode a value as its datatype wants it (section 6.4.16)."""
    if value is None:
        return b""
    if datatype in (INT8, INT16, INT32, UINT8, UINT16, UINT32):
        return field(10, value & 0xFFFF_FFFF)
    if datatype in (INT64, UINT64, DATETIME):
        return field(11, value & 0xFFFF_FFFF_FFFF_FFFF)
    if datatype in (FLOAT, DOUBLE):
        return field(12, value, "float") if datatype == FLOAT else field(13, value, "double")
    return field({BOOLEAN: 14, BYTES: 16, DATASET: 17}.get(datatype, 15), value)


def quality(code: int) -> bytes:
    """The property `Quality` (section 6.4.11)."""
    return (
        field(1, "Unit")
        + field(1, "Quality")
        + field(2, field(1, STRING) + field(8, "kPa"))
        + field(2, field(1, INT32) + field(3, code))
    )


def metric(
    value: Any = None,
    datatype: int = FLOAT,
    *,
    name: str | None = None,
    alias: int | None = None,
    time_ms: int | None = T0_MS,
    typed: bool = True,
    historical: bool | None = None,
    null: bool | None = None,
    properties: bytes | None = None,
) -> bytes:
    """Encode a metric; `typed`: whether the datatype is sent."""
    return (
        field(1, name)
        + field(2, alias)
        + field(3, time_ms)
        + field(4, datatype if typed else None)
        + field(5, historical)
        + field(7, null)
        + field(9, properties)
        + value_field(value, datatype)
    )


def payload(metrics: Iterable[bytes] = (), seq: int | None = None, time_ms: int | None = T0_MS) -> bytes:
    return field(1, time_ms) + b"".join(field(2, each) for each in metrics) + field(3, seq)


def birth(
    named: dict[str, tuple[Any, int]],
    seq: int | None,
    *,
    bd_seq: int | None = None,
    aliases: int | None = None,
    **more: Any,
) -> bytes:
    """Encode a birth of metrics by name; `aliases`: the first alias, if they have some."""
    metrics = [] if bd_seq is None else [metric(bd_seq, INT64, name="bdSeq")]
    for number, (name, (value, datatype)) in enumerate(named.items()):
        alias = None if aliases is None else aliases + number
        metrics.append(metric(value, datatype, name=name, alias=alias, **more))
    return payload(metrics, seq, **more)


def death(bd_seq: int | None) -> bytes:
    return payload([] if bd_seq is None else [metric(bd_seq, UINT64, name="bdSeq")])
