"""Strict JSON: reject what lenient parsers accept, with one wording for each mistake.

JSON parsers keep the last of two equal keys, and accept NaN and Infinity. Here both are errors. Looking for equal keys
needs a slow second parse, so a cheap count comes first: a payload has two quotation marks per key and per string. If
there are no more marks than the parsed objects need, no key occurs twice.

Work and memory are linear in the bytes of a payload, and bounded: by MAX_BYTES, by the number of values, objects and
arrays that MAX_ROWS rows can have, by the number of keys in an object, and by the parser's limits (200 levels, 4300
digits).
"""

import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
from pydantic_core import ErrorDetails, ValidationError, from_json

from strikewatch.errors import Rejected
from strikewatch.sources.decode.topic import ID_PATTERN

MAX_ROWS: Final = 100_000
"""Maximum rows of one payload."""
MAX_BYTES: Final = 16 * 1024 * 1024
"""Maximum bytes of one payload: all channels of MAX_ROWS rows fit."""
MAX_EVENT_BYTES: Final = 64 * 1024
"""Maximum bytes of one event: a note of 2000 characters is the largest part of it."""
MAX_STRING_BYTES: Final = MAX_EVENT_BYTES
"""Maximum bytes of one string or key. A parser needs up to four times the bytes of a payload for a string."""
MAX_KEYS: Final = 256
"""Default maximum of keys in one object: ten times those of the contract, because gateways also send their own."""
_MAX_PARTS: Final = (
    (b",", "values", 24 * MAX_ROWS),
    (b"{", "objects", 2 * MAX_ROWS),
    (b"[", "arrays", 4 * MAX_ROWS),
)
"""The character by which parts of a payload are counted, their name, and how many MAX_ROWS rows can have at most."""

_STRING: Final = re.compile(rb'"(?:[^"\\]++|\\.)*+"?', re.DOTALL)
"""A string with its quotation marks; the last one may be missing at the end of a payload."""
_SCANNED_BYTES: Final = 1024 * 1024
"""How much of a payload is searched for a character at a time."""

_REMEDIES: Final = {
    "finite_number": "must be a finite number; send null where not sampled",
    "float_type": "must be a number, not a string or a boolean",
    "int_type": "must be a whole number, not a string or a fraction",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true, false or null",
    "list_type": "must be an array",
    "string_type": "must be a string",
    "too_long": f"too long; at most {MAX_ROWS} rows a payload",
    "missing": "is missing",
    "dict_type": "must be a JSON object",
    "model_type": "must be a JSON object",
    "model_attributes_type": "must be a JSON object",
}
_ID_REMEDY: Final = "must have 1 to 64 letters, digits, '.', '_' or '-', a letter or digit first"
_WORD_REMEDY: Final = "must have 1 to 32 small letters, digits, '_' or '-', a letter first"
_REASONS: Final = {
    "json_invalid": "not_json",
    "too_long": "too_large",
    "missing": "missing",
    "dict_type": "shape",
    "model_type": "shape",
    "model_attributes_type": "shape",
    "union_tag_invalid": "unknown_event",
    "union_tag_not_found": "unknown_event",
}


_NO_VALUE: Final = frozenset({"json_invalid", "missing", "too_long"})
"""Errors that no single value causes."""
_QUOTED: Final = 40
"""Maximum characters quoted of a bad value."""


def quoted(value: Any) -> str:
    """Return `; got …` with a bad value as JSON, truncated; empty for an object or an array."""
    if isinstance(value, int) and not isinstance(value, bool) and value.bit_length() > 128:
        return "; got a number of too many digits"
    if not isinstance(value, str | int | float | None):
        return ""
    shown = json.dumps(value[: _QUOTED + 1] if isinstance(value, str) else value)
    return f"; got {shown}" if len(shown) <= _QUOTED else f"; got {shown[:_QUOTED]}…"


def place(prefix: str, *path: str | int) -> str:
    """Return the path of a place in a payload, like `[3].pressure_bar[7]`."""
    for part in path:
        prefix += f"[{part}]" if isinstance(part, int) else f".{part[:80]}" if prefix else part[:80]
    return prefix


def reason_of(error: ValidationError) -> str:
    """Return the reason of the deepest error of pydantic; cheaper than `rejected`."""
    return _REASONS.get(_deepest(error)["type"], "bad_value")


def _deepest(error: ValidationError) -> ErrorDetails:
    return max(error.errors(include_url=False), key=lambda each: len(each["loc"]))


def rejected(error: ValidationError, where: str = "", skip: int = 0) -> Rejected:
    """Convert the deepest error of pydantic to a Rejected, without the first `skip` parts of its path."""
    details = _deepest(error)
    path = [part for part in details["loc"][skip:] if isinstance(part, int) or not _is_branch(part)]
    spot = place(where, *path) or "payload"
    kind = details["type"]
    remedy = _REMEDIES.get(kind) or _text(details)
    if kind == "string_pattern_mismatch":
        is_id = details["ctx"]["pattern"] == ID_PATTERN
        remedy = _ID_REMEDY if is_id else _WORD_REMEDY
    if kind == "union_tag_invalid":
        expected, got = details["ctx"]["expected_tags"], quoted(details["ctx"]["tag"])
        return Rejected("unknown_event", f"event: is none of {expected}{got}")
    if isinstance(details["input"], list) and len(details["loc"]) == 1:
        remedy = "is an array; an array needs step_s beside it"
    elif kind not in _NO_VALUE:
        remedy += quoted(details["input"])
    return Rejected(_REASONS.get(kind, "bad_value"), f"{spot}: {remedy}")


def _is_branch(part: str) -> bool:
    """Tell whether a part of pydantic's path is a branch of a union and not a key, like `list[nullable[float]]`."""
    return part.startswith(("list[", "nullable["))


def _text(details: ErrorDetails) -> str:
    return details["msg"].removeprefix("Invalid JSON: ").removeprefix("Input ")[:200]


def check_size(payload: bytes, max_bytes: int = MAX_BYTES) -> None:
    """Check, without parsing, the size of a payload and an upper bound of its values. Raises Rejected("too_large")."""
    if len(payload) > max_bytes:
        raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {max_bytes}")
    for character, name, limit in _MAX_PARTS if len(payload) > 2 * MAX_ROWS else ():
        if _count(payload, character) > limit:
            raise Rejected(
                "too_large", f"payload: more than {limit} {name}; at most {MAX_ROWS} rows a payload"
            )
    if len(payload) > MAX_STRING_BYTES:
        _check_strings(payload)


def _count(payload: bytes, character: bytes) -> int:
    """Count a character in the same time however often it occurs; `bytes.count` takes three times as long."""
    text = np.frombuffer(payload, np.uint8)
    parts = (text[start : start + _SCANNED_BYTES] for start in range(0, len(text), _SCANNED_BYTES))
    return sum(int(np.count_nonzero(part == ord(character))) for part in parts)


def _check_strings(payload: bytes) -> None:
    """Check the length of each string and key without parsing. Raises Rejected("too_large")."""
    if b"\\" in payload:
        longest = max((found.end() - found.start() for found in _STRING.finditer(payload)), default=0)
    else:
        longest = _longest_unescaped(payload)
    if longest > MAX_STRING_BYTES + 2:
        raise Rejected(
            "too_large", f"payload: a string of {longest - 2} bytes; at most {MAX_STRING_BYTES} in a string"
        )


def _longest_unescaped(payload: bytes) -> int:
    """Return the length of the longest string, with its quotation marks, where none of these is escaped."""
    text = np.frombuffer(payload, np.uint8)
    longest, opened = 0, -1  # `opened`: where a string begins whose end is not found yet
    for start in range(0, len(text), _SCANNED_BYTES):
        marks = np.flatnonzero(text[start : start + _SCANNED_BYTES] == ord('"')) + start
        if opened >= 0:
            marks = np.concatenate([[opened], marks])
        pairs = len(marks) // 2 * 2
        longest = max(longest, int((marks[1:pairs:2] - marks[:pairs:2]).max(initial=-1)) + 1)
        opened = int(marks[-1]) if len(marks) % 2 else -1
    return longest if opened < 0 else max(longest, len(text) + 1 - opened)


def check_keys(payload: bytes, max_keys: int) -> None:
    """Check the number of keys of the object in a payload before it is validated. Raises Rejected.

    A payload has a colon for each key, so most need not be parsed for this.
    """
    if payload.count(b":") > max_keys:
        check_key_count(read(payload), max_keys, "")


def check_key_count(value: Any, max_keys: int, where: str) -> None:
    """Check the number of keys of a parsed object, and of the objects that are its values. Raises Rejected."""
    if not isinstance(value, dict):
        return
    spots = [(where or "payload", value)]
    if len(value) <= max_keys:
        spots = [(place(where, key), inner) for key, inner in value.items() if isinstance(inner, dict)]
    for spot, fields in spots:
        if len(fields) > max_keys:
            raise Rejected("too_many_keys", f"{spot}: {len(fields)} keys in one object; at most {max_keys}")


def read(payload: bytes) -> Any:
    """Parse any JSON value. Raises Rejected("not_json"), also for invalid UTF-8, NaN, and nesting deeper than 200."""
    try:
        return from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        raise Rejected("not_json", f"payload: {str(error)[:200]}; send UTF-8 JSON (RFC 8259)") from None


def is_plain(payload: bytes, objects: Iterable[Mapping[str, Any]]) -> bool:
    """Tell whether `payload` certainly has no key twice in an object, and no NaN or Infinity.

    `objects`: what was parsed from it, one object or the objects of an array.
    """
    quotation_marks = 0
    for fields in objects:
        quotation_marks += 2 * len(fields)
        for value in fields.values():
            if type(value) is str:
                quotation_marks += 2
    return payload.count(b'"') == quotation_marks and b"NaN" not in payload and b"Infinity" not in payload


def read_again(payload: bytes, *, allow_nan: bool = False) -> Any:
    """Parse like `read`, slower and exact: an object in which a key occurs twice becomes a `Rejected`."""

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any] | Rejected:
        fields = dict(pairs)
        if len(fields) == len(pairs):
            return fields
        counts = Counter(name for name, _ in pairs)
        duplicate = next(name for name in fields if counts[name] > 1)
        return Rejected("duplicate_key", f"{duplicate[:80]}: occurs twice in one object; send each key once")

    def constant(word: str) -> None:
        raise Rejected("not_json", f"payload: {word} is not JSON; send null where not sampled")

    try:
        return json.loads(payload, object_pairs_hook=unique, parse_constant=None if allow_nan else constant)
    except (ValueError, RecursionError) as error:
        raise Rejected("not_json", f"payload: {str(error)[:200]}; send UTF-8 JSON (RFC 8259)") from None
