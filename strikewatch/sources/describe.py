"""An AsyncAPI 3.0 description of what is taken in: the contract's topics and those of mapped sources. Pure."""

import re
from collections.abc import Mapping
from typing import Any, Final

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.events import COMMON_FIELDS, KINDS, EventField
from strikewatch.sources.decode.topic import ID_PATTERN
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.patterns import words_in
from strikewatch.sources.mapping.tables import SourceTable

Schema = dict[str, Any]

_CONTENT_TYPES: Final = {
    "json": "application/json",
    "jsonl": "application/jsonl",
    "text": "text/plain",
    "csv": "text/csv",
    "cbor": "application/cbor",
    "msgpack": "application/vnd.msgpack",
    "sparkplug": "application/octet-stream",
}
_WORDS: Final = {
    "site": "The site's id",
    "hammer": "The hammer's id",
    "group": "Sparkplug group",
    "node": "Sparkplug edge node",
    "device": "The gateway's name of a device",
    "tag": "Name of the value",
}
_TIME: Final[Schema] = {"type": "string", "format": "date-time", "description": "RFC 3339 with an offset"}
_TIME_MS: Final[Schema] = {"type": "integer", "description": "Unix time, ms"}


def describe(sources: Mapping[str, SourceTable] = {}, prefix: str = "strikewatch") -> Schema:  # never changed
    """Return the description as a tree for JSON."""
    ids = {word: {"description": f"{_WORDS[word]} ({ID_PATTERN})"} for word in ("site", "hammer")}
    channels: dict[str, Schema] = {
        "samples": {
            "address": f"{prefix}/{{site}}/{{hammer}}/samples",
            "description": "Values of one hammer: one instant, a block on an even grid, a list of these, or SenML.",
            "parameters": ids,
            "messages": {
                "samples": {"$ref": "#/components/messages/samples"},
                "senml": {"$ref": "#/components/messages/senml"},
            },
        },
        "events": {
            "address": f"{prefix}/{{site}}/{{hammer}}/events",
            "description": "What happened to one hammer.",
            "parameters": ids,
            "messages": {"event": {"$ref": "#/components/messages/event"}},
        },
    }
    messages: dict[str, Schema] = {
        "samples": {
            "contentType": "application/json",
            "payload": {"$ref": "#/components/schemas/samples"},
        },
        "senml": {
            "summary": "A SenML pack (RFC 8428), also in CBOR (application/senml+cbor)",
            "contentType": "application/senml+json",
            "payload": {"type": "array", "items": {"type": "object"}, "minItems": 1},
        },
        "event": {"contentType": "application/json", "payload": {"$ref": "#/components/schemas/event"}},
    }
    qos = dict.fromkeys(channels, 1)
    for name, table in sources.items():
        for number, topic in enumerate(table.topics):
            own = _key(name if not number else f"{name}_{number + 1}")
            address, words = _address(topic)
            channels[own] = {
                "address": address,
                "description": f"The source {name} of sources.toml.",
                **(
                    {"parameters": {word: {"description": _WORDS.get(word, "Any text")} for word in words}}
                    if words
                    else {}
                ),
                "messages": {"message": {"$ref": f"#/components/messages/{_key(name)}"}},
            }
            arrival = table.time is not None and table.time.form == "arrival"
            qos[own] = 0 if arrival or table.payload == "sparkplug" else 1
        if table.topics:
            messages[_key(name)] = _message(name, table)
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Strikewatch: what is taken in over MQTT",
            "version": "1",
            "description": "Samples and events of hydraulic breakers, on the contract's topics and on those that a "
            "table of sources maps.",
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": {
            f"receive_{name}": {
                "action": "receive",
                "channel": {"$ref": f"#/channels/{name}"},
                "bindings": {"mqtt": {"qos": qos[name], "bindingVersion": "0.2.0"}},
            }
            for name in channels
        },
        "components": {"messages": messages, "schemas": {"samples": _samples(), "event": _event()}},
    }


def _key(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_\-]", "_", name)


def _address(topic: str) -> tuple[str, list[str]]:
    """Return an address, in which every variable level has a name, and those names."""
    levels = []
    for k, level in enumerate(topic.split("/")):
        levels.append({"+": f"{{level{k + 1}}}", "#": "{rest}"}.get(level, level))
    address = "/".join(levels)
    return address, list(dict.fromkeys(re.findall(r"\{([a-z][a-z0-9_]*)\}", address)))


def _message(name: str, table: SourceTable) -> Schema:
    gives: dict[str, Any] = {
        channel: {
            key: value
            for key, value in spec.model_dump(mode="json", by_alias=True, exclude_defaults=True).items()
            if key not in ("where",)
        }
        for channel, spec in table.channels.items()
    }
    return {
        "title": name,
        "contentType": _CONTENT_TYPES[table.payload],
        **({"summary": f"Compressed: {table.packed}"} if table.packed else {}),
        "payload": _payload(table),
        "x-channels": gives,
        **({"x-event": list(table.event)} if table.event else {}),
    }


def _payload(table: SourceTable) -> Schema:
    """Return a schema with the places that the table reads; it allows everything else."""
    if table.payload == "text":
        return {"type": ["string", "number", "boolean"]}
    if table.payload not in ("json", "cbor", "msgpack"):
        return {"type": "string", "format": "binary"} if table.payload == "sparkplug" else {"type": "string"}
    schema: Schema = {}
    record = _put(schema, paths.parse(table.record_path, many=True).steps)
    places = [*table.where, table.site, table.hammer, table.name or "", table.value or ""]
    if table.time is not None and table.time.at is not None:
        places += [table.time.at] if isinstance(table.time.at, str) else table.time.at
    places += [table.step.at] if table.step is not None else []
    places += [channel.at for channel in table.channels.values() if channel.at is not None]
    places += [event.at for event in table.event.values() if event.at is not None]
    for place in places:
        if place.startswith(("@", "$")) and not words_in(place):
            _put(record if place.startswith("@") else schema, paths.parse(place).steps)
    return schema


def _put(schema: Schema, steps: tuple[Any, ...]) -> Schema:
    """Add a place to a schema, and return the schema of that place."""
    for step in steps:
        if isinstance(step, str):
            schema.setdefault("type", "object")
            schema = schema.setdefault("properties", {}).setdefault(step, {})
        elif isinstance(step, int) or step.word is None:
            schema.setdefault("type", "array")
            schema = schema.setdefault("items", {})
        else:
            schema.setdefault("type", "object")
            schema = schema.setdefault("additionalProperties", {})
    return schema


def _samples() -> Schema:
    instants = {"anyOf": [{"required": ["time"]}, {"required": ["time_ms"]}]}
    values: dict[str, Schema] = {}
    for name, channel in CHANNELS.items():
        one: Schema = {"type": ["boolean" if channel.boolean else "number", "null"]}
        values[name] = {
            "anyOf": [one, {"type": "array", "items": one, "minItems": 1}],
            "description": "yes or no"
            if channel.boolean
            else f"{channel.unit}; possible are {channel.low:g} to {channel.high:g}",
        }
    for alias, (target, _) in ALIASES.items():
        number: Schema = {"type": ["number", "null"]}
        values[alias] = {
            "anyOf": [number, {"type": "array", "items": number, "minItems": 1}],
            "description": f"accepted in place of {target}",
        }
    one_object: Schema = {
        "type": "object",
        "properties": {
            "time": _TIME,
            "time_ms": _TIME_MS,
            "step_s": {"type": "number", "exclusiveMinimum": 0, "description": "Step of a block, s"},
            "hold_s": {
                "type": "object",
                "additionalProperties": {"type": "number"},
                "description": "By channel: how long a value is valid without a new one, s",
            },
            **values,
        },
        **instants,
    }
    return {"anyOf": [one_object, {"type": "array", "items": one_object, "minItems": 1}]}


def _event() -> Schema:
    kinds = []
    for name, kind in KINDS.items():
        fields = {**COMMON_FIELDS, **kind.fields}
        kinds.append(
            {
                "type": "object",
                "title": name,
                "properties": {
                    "event": {"const": name},
                    "time": _TIME,
                    "time_ms": _TIME_MS,
                    **{key: _field(field) for key, field in fields.items()},
                },
                "required": ["event", *(key for key, field in fields.items() if field.required)],
            }
        )
    return {"oneOf": kinds}


def _field(field: EventField) -> Schema:
    if field.type == "flag":
        return {"type": "boolean"}
    if field.type == "choice":
        return {"enum": list(field.choices)}
    if field.type == "number":
        return {
            "type": "number",
            "exclusiveMinimum" if field.exclusive else "minimum": field.low,
            **_high(field),
        }
    if field.type == "counts":
        items: Schema = {"type": "integer", "minimum": field.low, "maximum": field.high}
        return {"type": "array", "items": items, "maxItems": field.max_length}
    if field.type == "reference":
        return {
            "type": "object",
            "properties": {"event": {"type": "string"}, "time": _TIME},
            "required": ["event", "time"],
            "description": "The earlier event that this one corrects",
        }
    return {"type": "string", **({"maxLength": field.max_length} if field.max_length else {})}


def _high(field: EventField) -> Schema:
    return {"exclusiveMaximum" if field.exclusive else "maximum": field.high}
