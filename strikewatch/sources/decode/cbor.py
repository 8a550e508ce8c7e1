"""Read CBOR (RFC 8949), and SenML packs in CBOR (RFC 8428, section 6).

`cbor2` reads the wire. Of tags, those for times, links, sets and the like are left out and their content is taken as
it is; big numbers, decimal fractions and typed arrays (RFC 8746) are read; tags that would make other objects, or refer
to other parts of the payload, are refused.
"""

import io
import math
from base64 import urlsafe_b64encode
from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import cache, partial
from itertools import chain
from typing import Any, Final

import numpy as np

from strikewatch.errors import Rejected
from strikewatch.sources.decode import binary

_UNCOUNTED_BYTES: Final = 64 * 1024
"""Payloads up to this size cannot hold too much: the library allocates nothing for what is only claimed."""
_MAX_EXPONENT: Final = 400
_MAX_NUMBER_BYTES: Final = 16

_CONTENT_TAGS: Final = (0, 1, 21, 22, 23, 32, 33, 34, 37, 100, 258, 1004, 55799)
"""Tags whose content says enough: times, encodings, links, identifiers, sets and the mark of CBOR itself."""
_OBJECT_TAGS: Final = (25, 28, 29, 30, 35, 36, 52, 54, 256, 260, 261, 43000)
"""Tags that the library would make objects or references of. Those it does not know are refused as well."""
_TYPED_ARRAYS: Final = {
    **{64: "u1", 65: ">u2", 66: ">u4", 67: ">u8", 68: "u1", 69: "<u2", 70: "<u4", 71: "<u8"},
    **{72: "i1", 73: ">i2", 74: ">i4", 75: ">i8", 77: "<i2", 78: "<i4", 79: "<i8"},
    **{80: ">f2", 81: ">f4", 82: ">f8", 84: "<f2", 85: "<f4", 86: "<f8"},
}
"""RFC 8746, section 2.1: tags of byte strings that hold an array of numbers, and how these are laid out."""

_SENML_LABELS: Final = {
    **{-1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs"},
    **{0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd"},
}
"""RFC 8428, section 6, table 4."""


def read_cbor(payload: bytes) -> Any:
    """Read one CBOR item: None, bool, int, float, str, bytes, and lists and dicts of these.

    Keys are text or whole numbers. Raises Rejected("not_cbor"), "empty", "too_large" or "duplicate_key".
    """
    binary.check_size(payload)
    if len(payload) > _UNCOUNTED_BYTES:
        binary.check_parts(payload, _heads())
    import cbor2

    decoder = cbor2.CBORDecoder(
        io.BytesIO(payload),
        tag_hook=_refuse_tag,
        semantic_decoders=_TAGS if len(payload) <= binary.MAX_ITEMS else _TAGS_WITHOUT_ARRAYS,
        max_depth=binary.MAX_DEPTH,
        allow_duplicate_keys=False,
    )
    try:
        value = decoder.decode()
    except cbor2.CBORDecodeEOF:
        raise _malformed("it is cut off") from None
    except cbor2.CBORDecodeError as error:
        raise _rejected(error) from None
    try:
        decoder.read(1)
    except cbor2.CBORDecodeEOF:
        return binary.checked(value, _malformed, cbor2.undefined)
    raise _malformed("there are bytes after its end")


def is_array(payload: bytes) -> bool:
    """Tell whether a payload can be an array in CBOR. No text in UTF-8, and so no JSON, begins with such a byte."""
    return payload[:1] in _ARRAY_STARTS


def read_senml(payload: bytes) -> list[Any]:
    """Read a SenML pack in CBOR, with its labels as in JSON. Raises Rejected."""
    pack = read_cbor(payload)
    if not isinstance(pack, list):
        raise Rejected("shape", "payload: not an array; a SenML pack is an array of maps")
    return [_with_labels(each, number) for number, each in enumerate(pack)]


def _with_labels(record: Any, number: int) -> Any:
    if not isinstance(record, dict):
        return record
    named = {_SENML_LABELS.get(label) or str(label): value for label, value in record.items()}
    if len(named) < len(record):
        raise Rejected("duplicate_key", f"[{number}]: a label is given as a number and as text; send it once")
    if isinstance(data := named.get("vd"), bytes):
        named["vd"] = urlsafe_b64encode(data).decode().rstrip("=")
    return named


_ARRAY_STARTS: Final = frozenset(bytes([head]) for head in (*range(0x80, 0x9C), 0x9F))


def _malformed(problem: str) -> Rejected:
    return Rejected("not_cbor", f"payload: not CBOR (RFC 8949): {problem}")


def _rejected(error: Exception) -> Rejected:
    """Convert an error of the library: its cause is what a tag's function raised."""
    if isinstance(error.__cause__, Rejected):
        return error.__cause__
    problem = str(error)
    if "Duplicate map key" in problem:
        key = problem.rpartition("Duplicate map key: ")[2]
        return Rejected(
            "duplicate_key", f"payload: the key {key[:80]} occurs twice in one map; send each key once"
        )
    return _malformed(f"{problem[:160]} ({error.__cause__})"[:200] if error.__cause__ else problem[:200])


def _content(value: Any, _immutable: bool) -> Any:
    return value


def _refuse_tag(tag: Any, _immutable: bool) -> Any:
    raise _malformed(f"tag {tag.tag} is not supported")


def _refuse(number: int, _value: Any, _immutable: bool) -> Any:
    raise _malformed(f"tag {number} is not supported")


def _big_number(sign: int, value: Any, _immutable: bool) -> int:
    """Read a byte string as a number (RFC 8949, section 3.4.3)."""
    if not isinstance(value, bytes) or len(value) > _MAX_NUMBER_BYTES:
        raise _malformed(f"a big number that is no byte string of up to {_MAX_NUMBER_BYTES} bytes")
    number = int.from_bytes(value, "big")
    return number if sign > 0 else -1 - number


def _fraction(base: int, value: Any, _immutable: bool) -> float:
    """Read [exponent, mantissa] (RFC 8949, section 3.4.4) as the nearest float."""
    if not (isinstance(value, list | tuple) and len(value) == 2 and all(type(part) is int for part in value)):
        raise _malformed("a fraction that is not [exponent, mantissa], two whole numbers")
    exponent, mantissa = value
    if abs(exponent) > _MAX_EXPONENT or mantissa.bit_length() > 64:
        raise _malformed("a fraction too large for a number")
    exact = Decimal(mantissa).scaleb(exponent) if base == 10 else math.ldexp(mantissa, exponent)
    return float(exact)


def _typed_array(layout: str, value: Any, _immutable: bool) -> Any:
    if not isinstance(value, bytes) or len(value) % np.dtype(layout).itemsize:
        raise _malformed("a typed array must be a byte string of whole elements")
    return np.frombuffer(value, layout).tolist()


_TAGS_WITHOUT_ARRAYS: Final[Mapping[int, Callable[[Any, bool], Any]]] = {
    **dict.fromkeys(_CONTENT_TAGS, _content),
    **{tag: partial(_refuse, tag) for tag in _OBJECT_TAGS},
    **{
        2: partial(_big_number, 1),
        3: partial(_big_number, -1),
        4: partial(_fraction, 10),
        5: partial(_fraction, 2),
    },
}
"""For payloads so large that typed arrays could have too many elements."""
_TAGS: Final[Mapping[int, Callable[[Any, bool], Any]]] = {
    **_TAGS_WITHOUT_ARRAYS,
    **{tag: partial(_typed_array, layout) for tag, layout in _TYPED_ARRAYS.items()},
}


@cache
def _heads() -> binary.Heads:
    """Return what the first byte of an item says (RFC 8949, section 3): three bits of kind, five of a number."""
    numbers = range(32)
    width = [0] * 24 + [1, 2, 4, 8] + [0] * 4  # bytes of the number that follows
    is_string = [kind in (2, 3) for kind in range(8)]
    per_item = [0, 0, 0, 0, 1, 2, 0, 0]  # arrays and maps
    counted = [string or each > 0 for string, each in zip(is_string, per_item, strict=True)]
    return binary.Heads(
        size=[1 + width[n] for _ in range(8) for n in numbers],
        length=[width[n] if counted[kind] else 0 for kind in range(8) for n in numbers],
        content=[n if counted[kind] and n < 24 else 0 for kind in range(8) for n in numbers],
        container=list(chain.from_iterable([per_item[kind]] * 32 for kind in range(8))),
    )
