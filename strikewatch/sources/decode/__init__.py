"""Decode gateway payloads to rows and events, strictly by the contract. Pure functions of bytes and time of receipt.

topic.py    hammer and kind of message       strict_json.py  JSON without its loopholes
samples.py  one instant, a block, an array   times.py        instants and even grids
senml.py    RFC 8428 packs, also in CBOR     events.py       what people do to a hammer
scanner.py  the usual samples, compiled      scan_kernel.py  its compiled part, with scan_tokens.py and scan_decimals.py
cbor.py, messagepack.py  values in binary    binary.py       the bounds of both
compression.py           gzip, zlib, deflate  sparkplug/      Sparkplug B, with what its births said

Invalid input raises `Rejected`: `reason` is a key of `sources.reasons.REASONS`, `detail` names the place and the
remedy. What a payload may cost is bounded; see `strict_json`.
"""

from collections.abc import Container
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import cbor, samples, senml, strict_json, topic
from strikewatch.sources.decode.events import decode_event
from strikewatch.sources.hold import has_hold_columns, without_hold

MAX_AHEAD: Final = 300 * SECOND
DAY: Final = 86_400 * SECOND
MAX_HELD_SPAN: Final = 7 * DAY
"""Maximum time from the first to the last row of a message whose values are held: a few bytes a day would otherwise
become 86,400 rows each."""


MAX_HELD_AGE: Final = 31 * DAY
"""The values of rows older than this at their arrival are not held: otherwise messages a day apart, from 1970 on, would
become a billion rows."""


class Samples(NamedTuple):
    """Rows of one hammer in time order (stable), rejected objects of an array, and unknown keys.

    Of many rejected objects a few of each reason are listed, with the `count` of the others.
    """

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
    max_keys: int = strict_json.MAX_KEYS,
) -> Decoded:
    """Decode one message. `received` is the receiver's clock; times more than `max_ahead` ns after it are rejected.

    `held`: hammers with channels sent on change only; their nulls, and those of objects with `hold_s`, become
    `hold.NO_VALUE` in place of NaN. `max_keys`: maximum number of keys in one object.

    Raises Rejected, and nothing else, for any bytes.
    """
    key, kind = topic.parse(topic_name, prefix)
    latest = received + max_ahead
    if kind == "samples" and cbor.is_array(payload):
        return _cbor_pack(key, payload, received, latest, key in held, max_keys)
    strict_json.check_size(payload)
    start = payload[:64].lstrip()[:1]
    if kind == "events":
        if start != b"{":
            raise _not_an_object(payload)
        return DecodedEvent(*decode_event(payload, *key, latest, received, max_keys))
    null_ends_hold = key in held
    if start == b"{":
        decoded = samples.decode_object(payload, latest, null_ends_hold, max_keys)
        return _samples(key, decoded, null_ends_hold, received)
    pack = strict_json.read(payload) if payload.strip() else None
    if isinstance(pack, dict):
        decoded = samples.decode_object(payload, latest, null_ends_hold, max_keys)
        return _samples(key, decoded, null_ends_hold, received)
    if not isinstance(pack, list):
        raise _not_an_object(payload)
    if not pack:
        raise Rejected("empty", "payload: the array is empty")
    if senml.is_pack(pack):
        decoded = senml.decode_pack(pack, payload, received, latest, max_keys)
        return _samples(key, decoded, null_ends_hold, received)
    rows, rejected, unknown = samples.decode_array(pack, payload, latest, null_ends_hold, max_keys)
    return _samples(key, (_sorted(rows), rejected, unknown), null_ends_hold, received)


def _cbor_pack(
    key: Key, payload: bytes, received: Instant, latest: Instant, null_ends_hold: bool, max_keys: int
) -> Samples:
    """Decode a SenML pack in CBOR. Raises Rejected."""
    pack = cbor.read_senml(payload)
    if not pack:
        raise Rejected("empty", "payload: the array is empty")
    if not senml.is_pack(pack):
        raise Rejected("shape", "payload: an array in CBOR, but no SenML pack (RFC 8428)")
    decoded = senml.decode_pack(pack, None, received, latest, max_keys)
    return _samples(key, decoded, null_ends_hold, received)


def _samples(key: Key, decoded: samples.Decoded, may_hold: bool, received: Instant) -> Samples:
    """Check how much a hold can add to the rows. Raises Rejected."""
    rows, rejected, unknown = decoded
    if not len(rows) or not (may_hold or has_hold_columns(rows)):
        return Samples(key, *decoded)
    rows, too_old = limit_holds(rows, received)
    return Samples(key, rows, rejected if too_old is None else (*rejected, too_old), unknown)


def limit_holds(rows: Rows, received: Instant) -> tuple[Rows, Rejected | None]:
    """Limit what a hold can add to the rows of a message, which are in time order: one row a second.

    Returns the rows, and the rejection of holds that are too old. Raises Rejected for a message of too long a time.
    """
    span = int(rows.time_ns[-1] - rows.time_ns[0])
    if span > MAX_HELD_SPAN:
        raise Rejected(
            "too_large",
            f"payload: {span // DAY} days of values that are held; at most {MAX_HELD_SPAN // DAY} in a message",
        )
    if n := int(np.searchsorted(rows.time_ns, received - MAX_HELD_AGE)):
        rows = without_hold(rows, n)
        detail = f"payload: {n} rows are older than {MAX_HELD_AGE // DAY} days, so their values are not held"
        return rows, Rejected("hold_too_old", detail, n)
    return rows, None


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
