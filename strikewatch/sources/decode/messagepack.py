"""Read MessagePack. `msgpack` reads the wire; the specification is https://github.com/msgpack/msgpack/blob/master/spec.md.

The extension for timestamps is read as whole nanoseconds since 1970; other extensions are refused.
"""

from functools import cache
from typing import Any, Final

from strikewatch.errors import Rejected
from strikewatch.sources.decode import binary

_UNCOUNTED_BYTES: Final = 1024
"""Payloads up to this size cannot cost much. The library allocates what each array claims, up to the payload's size."""
_TIMESTAMP_IN_NS: Final = 2


def read_msgpack(payload: bytes) -> Any:
    """Read one MessagePack object: None, bool, int, float, str, bytes, and lists and dicts of these.

    Keys are text or whole numbers. Raises Rejected("not_msgpack"), "empty", "too_large" or "duplicate_key".
    """
    binary.check_size(payload)
    if len(payload) > _UNCOUNTED_BYTES:
        binary.check_parts(payload, _heads())
    import msgpack  # type: ignore[import-untyped]  # ships no types

    try:
        value = msgpack.unpackb(
            payload,
            timestamp=_TIMESTAMP_IN_NS,
            strict_map_key=False,
            object_pairs_hook=_unique,
            ext_hook=_refuse_extension,
        )
    except Rejected:
        raise
    except msgpack.ExtraData:
        raise _malformed("there are bytes after its end") from None
    except (ValueError, TypeError, OverflowError) as error:
        problem = "it is cut off" if "incomplete input" in str(error) else str(error)
        raise _malformed(problem[:200] or "invalid, or nested too deeply") from None
    return binary.checked(value, _malformed)


def _malformed(problem: str) -> Rejected:
    return Rejected("not_msgpack", f"payload: not MessagePack: {problem}")


def _unique(pairs: list[tuple[Any, Any]]) -> dict[Any, Any]:
    fields = dict(pairs)
    if len(fields) < len(pairs):
        seen: set[Any] = set()
        for key, _ in pairs:
            if key in seen:
                raise Rejected(
                    "duplicate_key",
                    f"payload: the key {key!r:.80} occurs twice in one map; send each key once",
                )
            seen.add(key)
    return fields


def _refuse_extension(number: int, _data: bytes) -> Any:
    raise _malformed(f"extension {number} is not supported")


@cache
def _heads() -> binary.Heads:
    """Return what the first byte of an object says (specification, Formats)."""
    size, length, content, container = ([one] * 256 for one in (1, 0, 0, 0))
    for head in range(0x80, 0xA0):
        content[head], container[head] = head & 15, 2 if head < 0x90 else 1
    for head in range(0xA0, 0xC0):
        content[head] = head & 31
    widths = {0xC4: 1, 0xC5: 2, 0xC6: 4, 0xD9: 1, 0xDA: 2, 0xDB: 4, 0xDC: 2, 0xDD: 4, 0xDE: 2, 0xDF: 4}
    for head, width in widths.items():
        size[head], length[head] = 1 + width, width
        container[head] = 0 if head < 0xDC else 1 if head < 0xDE else 2
    for head, width in {0xC7: 1, 0xC8: 2, 0xC9: 4}.items():  # an extension has one byte of type more
        size[head], length[head] = 1 + width, width
    fixed = {0xCA: 4, 0xCB: 8, 0xCC: 1, 0xCD: 2, 0xCE: 4, 0xCF: 8, 0xD0: 1, 0xD1: 2, 0xD2: 4, 0xD3: 8}
    extensions = {0xD4: 2, 0xD5: 3, 0xD6: 5, 0xD7: 9, 0xD8: 17}
    for head, more in {**fixed, **extensions}.items():
        size[head] = 1 + more
    return binary.Heads(size, length, content, container)
