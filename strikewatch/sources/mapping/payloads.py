"""Payloads of mapped sources: bytes become a tree of dicts, lists, texts and numbers, within bounds."""

import csv
import io
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from pydantic_core import from_json

from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json
from strikewatch.sources.decode.cbor import read_cbor
from strikewatch.sources.decode.compression import unpack
from strikewatch.sources.decode.messagepack import read_msgpack
from strikewatch.sources.mapping.tables import SourceTable

MAX_KEYS: Final = 10_000
"""Maximum number of keys in one object."""
_GZIP: Final = b"\x1f\x8b"
_BOM: Final = b"\xef\xbb\xbf"
_DIGITS: Final = frozenset(bytes([digit]) for digit in b"0123456789-")
_MAX_DIGITS: Final = 64
_SIMPLE: Final = frozenset({int, float, bool, type(None)})


Read = Callable[[bytes], Any]
"""Reads a payload; raises Rejected."""


def payload_reader(table: SourceTable) -> Read:
    """Return the function that reads a source's payloads as its table says."""
    readers: dict[str, Read] = {
        "json": read_json,
        "jsonl": read_lines,
        "text": partial(read_text, encoding=table.encoding),
        "csv": partial(read_csv, table=table),
        "cbor": read_cbor,
        "msgpack": read_msgpack,
    }
    read, packed = readers.get(table.payload, read_json), table.packed
    if packed is None:
        return read
    return lambda payload: read(unpack(payload, packed, strict_json.MAX_BYTES))


def read_json(payload: bytes) -> Any:
    """Read JSON, in which a key must not occur twice in an object; NaN is read, and is no value. Raises Rejected."""
    if payload.startswith(_BOM):
        payload = payload[len(_BOM) :]
    strict_json.check_size(payload)
    try:
        tree = from_json(payload)
    except ValueError as error:
        if payload.startswith(_GZIP):
            raise Rejected("not_json", 'payload: looks like gzip; set packed = "gzip"') from None
        if not payload.strip():
            raise Rejected("empty", "payload: is empty") from None
        hint = (
            '; if each line is an object, set payload = "jsonl"'
            if _is_object(payload.split(b"\n", 1)[0])
            else ""
        )
        raise Rejected("not_json", f"payload: {str(error)[:200]}{hint}") from None
    if type(tree) is dict or type(tree) is list:
        if not _is_plain(tree, payload.count(b'"')):
            _refuse_duplicates(strict_json.read_again(payload, allow_nan=True))
        if payload.count(b":") > MAX_KEYS:
            _check_keys(tree)
    return tree


def _is_object(line: bytes) -> bool:
    try:
        return type(from_json(line)) is dict
    except ValueError:
        return False


def read_lines(payload: bytes) -> list[Any]:
    """Read a JSON value a line; in place of a bad line stands its `Rejected`. Raises Rejected."""
    strict_json.check_size(payload)
    if payload.count(b"\n") > strict_json.MAX_ROWS:
        raise Rejected("too_large", f"payload: more than {strict_json.MAX_ROWS} lines")
    found: list[Any] = []
    for number, line in enumerate(payload.split(b"\n"), 1):
        if line.strip():
            try:
                found.append(read_json(line))
            except Rejected as error:
                found.append(
                    Rejected(error.reason, f"line {number}: {error.detail.removeprefix('payload: ')}")
                )
    if not found:
        raise Rejected("empty", "payload: has no lines")
    return found


def _is_plain(tree: Any, quotation_marks: int) -> bool:
    """Tell whether a tree certainly has no key twice: each key and each text has two quotation marks.

    If those outside of inner objects and arrays are all that there are, nothing inside has any.
    """
    values, keys = (tree.values(), len(tree)) if type(tree) is dict else (tree, 0)
    outside = keys + list(map(type, values)).count(str)
    return quotation_marks == 2 * outside or quotation_marks == 2 * (keys + _count(values))


def _count(values: Any) -> int:
    """Return the number of keys and texts in a tree."""
    found = 0
    for value in values:
        kind = type(value)
        if kind is str:
            found += 1
        elif kind is dict:
            found += len(value) + _count(value.values())
        elif kind is list and not _SIMPLE.issuperset(map(type, value)):
            found += _count(value)
    return found


def _refuse_duplicates(tree: Any) -> None:
    """Raise the first `Rejected` in a tree."""
    if isinstance(tree, Rejected):
        raise Rejected(tree.reason, f"payload: {tree.detail}")
    for value in tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ():
        _refuse_duplicates(value)


def _check_keys(tree: Any) -> None:
    if isinstance(tree, dict) and len(tree) > MAX_KEYS:
        raise Rejected("too_many_keys", f"payload: {len(tree)} keys in one object; at most {MAX_KEYS}")
    for value in tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ():
        _check_keys(value)


def read_text(payload: bytes, encoding: str | None = None) -> Any:
    """Read one value: a JSON number, text, true, false or null, or else the text as it is. Raises Rejected."""
    if payload[:1] in _DIGITS and len(payload) < _MAX_DIGITS:
        try:
            return from_json(payload)
        except ValueError:
            pass  # a text that begins with a digit
    _check_size(payload)
    text = decode_text(payload, encoding).strip()
    if not text:
        raise Rejected("empty", "payload: is empty")
    if len(text) > strict_json.MAX_STRING_BYTES:
        raise Rejected("too_large", f"payload: a text of {len(text)} characters is not one value")
    if text[0] in '"tfn-0123456789':
        try:
            value = from_json(text)
        except ValueError:
            return text
        if type(value) is not dict and type(value) is not list:
            return value
    return text


def read_csv(payload: bytes, table: SourceTable) -> Any:
    """Read lines of values: a list of lists, or with a header of dicts. Raises Rejected."""
    _check_size(payload)
    text = decode_text(payload, table.encoding)
    if text.count("\n") > strict_json.MAX_ROWS + table.skip:
        raise Rejected("too_large", f"payload: more than {strict_json.MAX_ROWS} lines")
    try:
        lines = [line for line in csv.reader(io.StringIO(text), delimiter=table.delimiter) if line]
    except csv.Error as error:
        raise Rejected("not_text", f"payload: not CSV: {error}") from None
    lines = lines[table.skip :]
    if not lines:
        raise Rejected("empty", "payload: has no lines")
    if not table.header:
        return lines
    names = [name.strip() for name in lines[0]]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise Rejected("duplicate_key", f"payload: the column {twice[:80]!r} occurs twice")
    return [dict(zip(names, line, strict=False)) for line in lines[1 + table.skip_after :]]


def _check_size(payload: bytes) -> None:
    if len(payload) > strict_json.MAX_BYTES:
        raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {strict_json.MAX_BYTES}")


def decode_text(payload: bytes, encoding: str | None = None) -> str:
    """Decode text, by default UTF-8 with or without a byte order mark. Raises Rejected."""
    try:
        # the codec utf-8-sig is written in Python, and slower
        return payload.decode(encoding) if encoding else payload.removeprefix(_BOM).decode()
    except UnicodeDecodeError:
        hint = '; looks like gzip, set packed = "gzip"' if payload.startswith(_GZIP) else ""
        raise Rejected("not_text", f"payload: not text in {encoding or 'UTF-8'}{hint}") from None
