"""Read payloads of Sparkplug B, and write the request for a birth. `protobuf` reads the wire by the schema here.

The schema has the fields of specification 3.0.0, section 6.4.1, that are used, with their names and numbers. What is
not read (properties apart from Quality, data sets, templates) is declared as bytes, which look the same on the wire.
"""

from functools import cache
from typing import Any, Final, NamedTuple

from strikewatch.errors import Rejected
from strikewatch.sources.decode.strict_json import MAX_BYTES, MAX_ROWS, MAX_STRING_BYTES

REBIRTH: Final = "Node Control/Rebirth"
GOOD_QUALITY: Final = 192
BOOLEAN: Final = 11

Value = bool | int | float | str | None


class Metric(NamedTuple):
    """A metric as sent. `value`: whole numbers are unsigned, see `signed`; None: null, or of no good quality.

    `is_readable`: False for data sets, templates and bytes, whose value is None.
    """

    name: str | None
    alias: int | None
    timestamp_ms: int | None
    datatype: int | None
    is_historical: bool
    value: Value
    is_readable: bool


class Payload(NamedTuple):
    """A payload as sent. `seq`: its sequence number, None in a death of a node."""

    timestamp_ms: int | None
    seq: int | None
    metrics: list[Metric]

    @property
    def bd_seq(self) -> int | None:
        """The number of the session that a birth or death belongs to."""
        found = next((metric.value for metric in self.metrics if metric.name == "bdSeq"), None)
        return found if type(found) is int else None


_PACKAGE: Final = "strikewatch.sparkplug"
_SCHEMA: Final = {
    "PropertyValue": {
        **{
            1: ("type", "uint32"),
            2: ("is_null", "bool"),
            3: ("int_value", "uint32"),
            4: ("long_value", "uint64"),
        },
    },
    "PropertySet": {1: ("keys", "repeated string"), 2: ("values", "repeated PropertyValue")},
    "Metric": {
        **{
            1: ("name", "string"),
            2: ("alias", "uint64"),
            3: ("timestamp", "uint64"),
            4: ("datatype", "uint32"),
        },
        **{5: ("is_historical", "bool"), 6: ("is_transient", "bool"), 7: ("is_null", "bool")},
        **{9: ("properties", "bytes"), 10: ("int_value", "uint32"), 11: ("long_value", "uint64")},
        **{12: ("float_value", "float"), 13: ("double_value", "double"), 14: ("boolean_value", "bool")},
        **{15: ("string_value", "string"), 16: ("bytes_value", "bytes"), 17: ("dataset_value", "bytes")},
        **{18: ("template_value", "bytes"), 19: ("extension_value", "bytes")},
    },
    "Payload": {1: ("timestamp", "uint64"), 2: ("metrics", "repeated Metric"), 3: ("seq", "uint64")},
}
"""Message → number of a field → its name and type."""
_NAME, _ALIAS, _TIMESTAMP, _DATATYPE, _IS_HISTORICAL, _IS_NULL, _PROPERTIES = 1, 2, 3, 4, 5, 7, 9
_READ_VALUES: Final = range(10, 16)
_METRIC_TAG: Final = 2 << 3 | 2  # field 2 of a payload, of a stated length
_MIN_METRIC_BYTES: Final = 2
_SIGNED_BITS: Final = {1: 8, 2: 16, 3: 32, 4: 64}
"""Datatypes Int8 to Int64 (section 6.4.16), and their bits."""


@cache
def _messages() -> dict[str, Any]:
    """Build the classes of the schema's messages. Loading `protobuf` takes a tenth of a second."""
    from google.protobuf import (  # type: ignore[import-untyped]  # ships no types; slow to import, so only here
        descriptor_pb2,
        descriptor_pool,
        message_factory,
    )

    kinds = descriptor_pb2.FieldDescriptorProto
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_b.proto", package=_PACKAGE, syntax="proto2")
    for message, fields in _SCHEMA.items():
        made = file.message_type.add(name=message)
        for number, (name, kind) in fields.items():
            repeated, _, base = kind.rpartition(" ")
            field = made.field.add(name=name, number=number)
            field.label = kinds.LABEL_REPEATED if repeated else kinds.LABEL_OPTIONAL
            if base in _SCHEMA:
                field.type, field.type_name = kinds.TYPE_MESSAGE, f".{_PACKAGE}.{base}"
            else:
                field.type = kinds.Type.Value(f"TYPE_{base.upper()}")
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return {
        name: message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.{name}"))
        for name in _SCHEMA
    }


def read_payload(payload: bytes) -> Payload:
    """Read a payload. Raises Rejected("not_sparkplug") or "too_large"."""
    if len(payload) > MAX_BYTES:
        raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {MAX_BYTES}")
    if len(payload) > MAX_ROWS * _MIN_METRIC_BYTES:
        _check_count(payload)
    found = _parsed("Payload", payload)
    metrics = [_metric({field.number: value for field, value in each.ListFields()}) for each in found.metrics]
    return Payload(
        found.timestamp if found.HasField("timestamp") else None,
        found.seq if found.HasField("seq") else None,
        metrics,
    )


def _parsed(message: str, data: bytes) -> Any:
    from google.protobuf.message import DecodeError  # type: ignore[import-untyped]  # likewise

    try:
        return _messages()[message].FromString(data)
    except DecodeError as error:
        problem = str(error).rpartition(": ")[2]
        raise Rejected("not_sparkplug", f"payload: not a Sparkplug B payload: {problem[:160]}") from None


def _check_count(payload: bytes) -> None:
    """Count the metrics of a payload without building them. Raises Rejected.

    What is malformed otherwise is left to the library.
    """
    at, count = 0, 0
    while at < len(payload):
        tag, at = _varint(payload, at)
        kind = tag & 7
        if kind == 0:
            _, at = _varint(payload, at)
        elif kind == 2:
            length, at = _varint(payload, at)
            at += length
        elif kind in (1, 5):
            at += 8 if kind == 1 else 4
        else:
            return
        count += tag == _METRIC_TAG
        if count > MAX_ROWS:
            raise Rejected("too_large", f"payload: more than {MAX_ROWS} metrics")


def _varint(payload: bytes, at: int) -> tuple[int, int]:
    """Return the number at a position, and the position after it (protocol buffers, Base 128 Varints)."""
    number = shift = 0
    while at < len(payload):
        byte = payload[at]
        at += 1
        number |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80 or shift >= 70:
            break
    return number, at


def _metric(fields: dict[int, Any]) -> Metric:
    name = fields.get(_NAME)
    if isinstance(name, bytes):
        raise Rejected("not_sparkplug", "payload: a metric's name is not UTF-8")
    number = max(fields, default=0)  # only one value is given; of more, the last declared counts
    value: Value = None
    is_readable = number not in range(_READ_VALUES.stop, 20)
    if fields.get(_IS_NULL):
        is_readable = True
    elif number in _READ_VALUES:
        value = fields[number]
        if isinstance(value, bytes):
            raise Rejected("not_sparkplug", f"payload: the value of {str(name)[:80]!r} is not UTF-8")
        if _PROPERTIES in fields and not _is_good(fields[_PROPERTIES]):
            value = None
    return Metric(
        name,
        fields.get(_ALIAS),
        fields.get(_TIMESTAMP),
        fields.get(_DATATYPE),
        fields.get(_IS_HISTORICAL, False),
        value,
        is_readable,
    )


def _is_good(properties: bytes) -> bool:
    """Tell whether the properties of a metric give no Quality, or a good one (section 6.4.11)."""
    if b"Quality" not in properties:
        return True
    if len(properties) > MAX_STRING_BYTES:
        raise Rejected(
            "too_large", f"payload: properties of {len(properties)} bytes; at most {MAX_STRING_BYTES}"
        )
    found = _parsed("PropertySet", properties)
    quality = next(
        (value for key, value in zip(found.keys, found.values, strict=False) if key == "Quality"), None
    )
    if quality is None:
        return True
    given = quality.int_value if quality.HasField("int_value") else quality.long_value
    return not quality.is_null and given == GOOD_QUALITY


def signed(value: int, datatype: int | None) -> int:
    """Return a whole number as its datatype means it: Int8 to Int64 are sent as two's complement, unsigned."""
    bits = _SIGNED_BITS.get(datatype or 0)
    if bits is None:
        return value
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


def rebirth_request(now_ms: int) -> bytes:
    """Return the payload of an NCMD that asks a node for its births (section 6.4.21): by name, without `seq`."""
    request = _messages()["Payload"](timestamp=now_ms)
    request.metrics.add(name=REBIRTH, timestamp=now_ms, datatype=BOOLEAN, boolean_value=True)
    encoded: bytes = request.SerializeToString()
    return encoded
