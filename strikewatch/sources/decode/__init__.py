"""Decode gateway payloads to rows and events, strictly by the contract. Pure functions of bytes and time of receipt.

topic.py    hammer and kind of message       strict_json.py  JSON without its loopholes
samples.py  one instant, a block, an array   times.py        instants and even grids
senml.py    RFC 8428 packs                   events.py       what people do to a hammer
nearest.py  suggestions for unknown keys

Invalid input raises `Rejected`: `reason` is a key of REASONS, `detail` names the place and the remedy.
"""

from collections.abc import Container
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import samples, senml, strict_json, topic
from strikewatch.sources.decode.events import decode_event

MAX_AHEAD: Final = 300 * SECOND

REASONS: Final = {
    "topic": "the topic does not match the contract, or an id in it has forbidden characters",
    "empty": "the payload or its array is empty",
    "too_large": "more bytes or rows than allowed in one payload",
    "not_json": "not UTF-8 JSON: invalid text, NaN or Infinity, or nested too deeply",
    "shape": "JSON, but not an object or an array of objects",
    "duplicate_key": "a key occurs twice in one object",
    "missing": "a required key is missing",
    "both_given": "two keys for the same value: a channel and its alias, or time and time_ms",
    "bad_value": "a value of a wrong type or outside what its key allows",
    "bad_time": "not an RFC 3339 time with an offset",
    "bad_step": "the step of a block is too short",
    "lengths": "the arrays of a block differ in length, or are empty",
    "time_out_of_range": "a time outside the years 1970 to 2099",
    "clock_ahead": "a time too far ahead of the receiver's clock",
    "unknown_event": "the event is not in the contract",
    "senml_version": "an unsupported version of RFC 8428",
    "senml_label": "a mandatory RFC 8428 label that is not supported",
    "senml_name": "a resolved RFC 8428 name that is missing or malformed",
    "senml_unit": "a unit that is unknown or does not fit the channel",
}
"""Reasons by which rejects are counted, and the meaning of each."""


class Samples(NamedTuple):
    """Rows of one hammer in time order (stable), rejected objects of an array, and unknown keys."""

    key: Key
    rows: Rows
    rejected: tuple[Rejected, ...] = ()
    unknown: tuple[str, ...] = ()


class DecodedEvent(NamedTuple):
    """One event, and its unknown keys."""

    event: Event
    unknown: tuple[str, ...] = ()


Decoded = Samples | DecodedEvent


def decode(
    topic_name: str,
    payload: bytes,
    received: Instant,
    prefix: str,
    max_ahead: int = MAX_AHEAD,
    held: Container[Key] = (),
) -> Decoded:
    """Decode one message. `received` is the receiver's clock; times more than `max_ahead` ns after it are rejected.

    `held`: hammers with channels sent on change only; their nulls, and those of objects with `hold_s`, become
    `hold.NO_VALUE` in place of NaN.

    Raises Rejected, and nothing else, for any bytes.
    """
    key, kind = topic.parse(topic_name, prefix)
    if len(payload) > strict_json.MAX_BYTES:
        raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {strict_json.MAX_BYTES}")
    latest = received + max_ahead
    start = payload[:64].lstrip()[:1]
    if kind == "events":
        if start != b"{":
            raise _not_an_object(payload)
        return DecodedEvent(*decode_event(payload, *key, latest, received))
    ended = key in held
    if start == b"{":
        return Samples(key, *samples.decode_object(payload, latest, ended))
    pack = strict_json.read(payload) if payload.strip() else None
    if not isinstance(pack, list):
        if isinstance(pack, dict):
            return Samples(key, *samples.decode_object(payload, latest, ended))
        raise _not_an_object(payload)
    if not pack:
        raise Rejected("empty", "payload: the array is empty")
    if senml.is_pack(pack):
        rows, broken, unknown = senml.decode_pack(pack, payload, received, latest)
    else:
        rows, broken, unknown = samples.decode_array(pack, payload, latest, ended)
    return Samples(key, _sorted(rows), broken, unknown)


def _sorted(rows: Rows) -> Rows:
    """Sort by time: some gateways put the newest record first."""
    if np.all(rows.time_ns[1:] >= rows.time_ns[:-1]):
        return rows
    return rows[np.argsort(rows.time_ns, kind="stable")]


def _not_an_object(payload: bytes) -> Rejected:
    if not payload.strip():
        return Rejected("empty", "payload: is empty")
    value = strict_json.read(payload)
    return Rejected("shape", f"payload: a JSON {type(value).__name__}; must be an object")
