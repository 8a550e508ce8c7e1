"""Decode events, one JSON object each. The validators are built from the declarations in `core.events`."""

from typing import Final

from pydantic_core import CoreSchema, SchemaValidator, ValidationError
from pydantic_core import core_schema as schema

from strikewatch.core import instant
from strikewatch.core.events import COMMON_FIELDS, ENTRY_KINDS, KINDS, Event, EventField, EventKind
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json, times
from strikewatch.sources.decode.samples import MAX_UNKNOWN
from strikewatch.sources.decode.topic import ID_PATTERN

_WORD_PATTERN: Final = r"^[a-z][a-z0-9_\-]{0,31}$"
_ID: Final = schema.str_schema(strict=True, pattern=ID_PATTERN)
_ENVELOPE: Final[dict[str, CoreSchema]] = {
    "time": schema.str_schema(strict=True, max_length=64),
    "time_ms": schema.int_schema(strict=True),
    "site": _ID,  # this and the next one: for files; over MQTT the topic counts
    "hammer": _ID,
}


def _optional(fields: dict[str, CoreSchema]) -> dict[str, schema.TypedDictField]:
    return {name: schema.typed_dict_field(field, required=False) for name, field in fields.items()}


_REFERENCE: Final = schema.typed_dict_schema(
    {
        "event": schema.typed_dict_field(schema.literal_schema(list(ENTRY_KINDS))),
        **_optional({name: _ENVELOPE[name] for name in ("time", "time_ms")}),
    },
    extra_behavior="forbid",
    strict=True,
)


def _field(field: EventField) -> schema.TypedDictField:
    value = _value(field)
    return schema.typed_dict_field(
        value if field.required else schema.nullable_schema(value), required=field.required
    )


def _value(field: EventField) -> CoreSchema:
    match field.type:
        case "flag":
            return schema.bool_schema(strict=True)
        case "number" if field.exclusive:
            return schema.float_schema(strict=True, allow_inf_nan=False, gt=field.low, lt=field.high)
        case "number":
            return schema.float_schema(strict=True, allow_inf_nan=False, ge=field.low, le=field.high)
        case "counts":
            count = schema.int_schema(strict=True, ge=int(field.low), le=int(field.high))
            return schema.list_schema(
                count, min_length=1, max_length=field.max_length, fail_fast=True, strict=True
            )
        case "choice":
            return schema.literal_schema(list(field.choices))
        case "word":
            return schema.str_schema(strict=True, pattern=_WORD_PATTERN)
        case "id":
            return _ID
        case "text":
            return schema.str_schema(strict=True, max_length=field.max_length)
        case "reference":
            return _REFERENCE


def _kind(kind: EventKind) -> CoreSchema:
    fields = {name: _field(field) for name, field in {**COMMON_FIELDS, **kind.fields}.items()}
    return schema.typed_dict_schema(
        {
            "event": schema.typed_dict_field(schema.literal_schema([kind.name])),
            **_optional(_ENVELOPE),
            **fields,
        },
        extra_behavior="allow",
        strict=True,
    )


_VALIDATOR: Final = SchemaValidator(
    schema.tagged_union_schema({name: _kind(kind) for name, kind in KINDS.items()}, discriminator="event")
)
FIELDS: Final = {name: ("event", *_ENVELOPE, *COMMON_FIELDS, *kind.fields) for name, kind in KINDS.items()}
"""The known keys of each kind of event."""


def decode_event(
    payload: bytes,
    site: str,
    hammer: str,
    latest: Instant,
    received: Instant | None = None,
    max_keys: int = strict_json.MAX_KEYS,
) -> tuple[Event, tuple[str, ...]]:
    """Decode one event; return it and the names of unknown keys. Raises Rejected.

    Where `site` or `hammer` is "", it is taken from the object itself (a line of `events.jsonl`).
    `latest`: times after it are rejected. `received`: the time of a `connection` event without one, because a last will
    is written long before it is sent.
    """
    strict_json.check_size(payload, strict_json.MAX_EVENT_BYTES)
    strict_json.check_keys(payload, max_keys)
    try:
        sent = _VALIDATOR.validate_json(payload)
    except ValidationError as error:
        raise strict_json.rejected(error, skip=1) from None  # the first part of the path is the kind of event
    strict = strict_json.read_again(payload)
    if isinstance(strict, Rejected):
        raise strict
    kind = sent["event"]
    if kind == "connection" and received is not None and times.TIME_KEYS.isdisjoint(sent):
        time = received
    else:
        time = times.of(sent, latest)
    site, hammer = site or sent.get("site", ""), hammer or sent.get("hammer", "")
    for name, value in (("site", site), ("hammer", hammer)):
        if not value:
            raise Rejected("missing", f"{name}: is missing")
    declared = {**COMMON_FIELDS, **KINDS[kind].fields}
    fields = {name: value for name, value in sent.items() if name in declared and value is not None}
    if corrected := fields.get("corrects"):
        corrected_time = times.of(corrected, latest, "corrects")
        fields["corrects"] = {"event": corrected["event"], "time": instant.exact_text(corrected_time)}
    unknown = tuple(name[:80] for name in sent if name not in FIELDS[kind])[:MAX_UNKNOWN]
    return Event(site, hammer, kind, time, fields), unknown
