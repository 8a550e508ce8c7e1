"""Bounds that CBOR and MessagePack share, as `strict_json` sets them for JSON.

A binary payload states the lengths of its parts, so a few bytes can claim billions of items. `check_parts` counts the
items of a payload without building them; `checked` looks at what the library has built.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

from strikewatch.errors import Rejected
from strikewatch.sources.decode.strict_json import MAX_BYTES, MAX_ROWS, MAX_STRING_BYTES

MAX_DEPTH: Final = 32
"""Maximum nesting of arrays, maps and tags."""
MAX_ITEMS: Final = 24 * MAX_ROWS
"""Maximum items of one payload: all channels of MAX_ROWS rows."""
MAX_CONTAINERS: Final = 6 * MAX_ROWS
"""Maximum arrays and maps of one payload."""

_CONTAINERS: Final = frozenset({list, dict})
_VALUES: Final = frozenset({type(None), bool, int, float, str, bytes})
_ALLOWED: Final = _VALUES | _CONTAINERS
_KEYS: Final = frozenset({str, int})


class Heads(NamedTuple):
    """What the first byte of an item says, each a table of 256 entries.

    `size`: bytes of the item, apart from a content whose length follows. `length`: bytes of that length.
    `content`: how many bytes (or items, for a container) the first byte itself states. `container`: items for each
    one stated: 1 for an array, 2 for a map, 0 for all else.
    """

    size: Sequence[int]
    length: Sequence[int]
    content: Sequence[int]
    container: Sequence[int]


def check_size(payload: bytes) -> None:
    """Raise Rejected("empty") or Rejected("too_large") for a payload of no bytes, or of too many."""
    if not payload:
        raise Rejected("empty", "payload: is empty")
    if len(payload) > MAX_BYTES:
        raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {MAX_BYTES}")


def check_parts(payload: bytes, heads: Heads) -> None:
    """Check the number of items and containers, the lengths of strings, and the sum of what containers claim.

    Takes a time linear in the number of items. What is malformed otherwise is left to the library. Raises
    Rejected("too_large").
    """
    at, end = 0, len(payload)
    items = containers = claimed = 0
    while at < end:
        head = payload[at]
        at += heads.size[head]
        items += 1
        stated = heads.content[head]
        if width := heads.length[head]:
            stated = int.from_bytes(payload[at - width : at], "big")
        if each := heads.container[head]:
            containers += 1
            claimed += each * stated
        elif stated:
            if stated > MAX_STRING_BYTES:
                raise Rejected(
                    "too_large",
                    f"payload: a string of {stated} bytes; at most {MAX_STRING_BYTES} in a string",
                )
            at += stated
        if items > MAX_ITEMS or containers > MAX_CONTAINERS or claimed > end:
            raise Rejected(
                "too_large",
                f"payload: more items than fit; at most {MAX_ITEMS} items, {MAX_CONTAINERS} of them arrays or maps",
            )


def checked(value: Any, malformed: Callable[[str], Rejected], missing: object = None) -> Any:
    """Return the value that a library has built, with None in place of `missing`; check nesting, types and keys.

    Raises what `malformed` makes of a problem.
    """
    if value is missing:
        return None
    if type(value) not in _ALLOWED:
        raise malformed(f"a value of the type {type(value).__name__}")
    _check_container(value, malformed, missing, MAX_DEPTH - 1)
    return value


def _check_container(value: Any, malformed: Callable[[str], Rejected], missing: object, depth: int) -> None:
    """Check a value that may be an array or a map, and replace `missing` in it."""
    if type(value) is dict:
        if not _KEYS.issuperset(map(type, value)):
            raise malformed("a key that is neither text nor a whole number")
        inside: Any = value.values()
    elif type(value) is list:
        inside = value
    else:
        return
    kinds = set(map(type, inside))
    if kinds <= _VALUES:
        return
    if missing is not None and type(missing) in kinds:
        for place, each in list(value.items() if type(value) is dict else enumerate(value)):
            if each is missing:
                value[place] = None
        kinds.discard(type(missing))
    if odd := kinds - _ALLOWED:
        raise malformed(f"a value of the type {odd.pop().__name__}")
    if depth == 0 and not kinds.isdisjoint(_CONTAINERS):
        raise malformed(f"nested deeper than {MAX_DEPTH}")
    for each in inside:
        if type(each) in _CONTAINERS:
            _check_container(each, malformed, missing, depth - 1)
