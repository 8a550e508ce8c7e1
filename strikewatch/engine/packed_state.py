"""The states of hammers as they are kept in memory: packed into what differs from a hammer not seen yet.

Most of a record of STATE is room: for entries not made yet, operators not signed on, channels that the feed does not
have. So a hammer takes about 2 kB instead of 10, and is unpacked for a step.

A packed record has a bit for each of its 64-bit words, in whole words, 1 if the word differs from that of a hammer not
seen yet; then the words that do. So equal states are equal bytes. Saved bytes are not packed like this (see
`engine.state`): they must not depend on what a fresh state is today.
"""

from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import compiled, kernel
from strikewatch.engine.state import STATE, fresh

WORD: Final = np.dtype("<u8")
_WORD_BYTES: Final = WORD.itemsize
_WORDS: Final = STATE.itemsize // _WORD_BYTES
_BITS: Final = -(-_WORDS // 64)
"""How many words have a bit for each word of a record."""
_FRESH: Final = np.frombuffer(fresh(), WORD)
NOT_SEEN: Final = bytes(_WORD_BYTES * _BITS)
"""The packed state of a hammer not seen yet."""


class Workspace:
    """Room in which up to `hammers` states are unpacked and packed again; for one thread at a time."""

    def __init__(self, hammers: int) -> None:
        compile_packing()
        self._words = np.empty((hammers, _WORDS), WORD)
        self._room = np.empty(hammers * (_BITS + _WORDS) + 1, WORD)
        self._ends = np.empty(hammers, np.int64)

    def unpack(self, packed: Sequence[bytes]) -> Any:
        """Unpack states: STATE [n], valid until the next call."""
        words = self._words[: len(packed)]
        _unpack_into(words, packed)
        return np.frombuffer(words, STATE)

    def pack(self, states: Any) -> list[bytes]:
        """Pack states (STATE [n], which may be written to)."""
        words = np.frombuffer(states, WORD).reshape(-1, _WORDS)
        pack_records(words, _FRESH, self._room, self._ends)
        ends = [0, *self._ends[: len(states)].tolist()]
        packed = self._room[: ends[-1]].tobytes()
        return [packed[_WORD_BYTES * begin : _WORD_BYTES * end] for begin, end in pairwise(ends)]


def pack(state: Any) -> bytes:
    """Pack one state (STATE [1])."""
    return Workspace(1).pack(state)[0]


def unpack(packed: Sequence[bytes]) -> Any:
    """Unpack states: STATE [n]."""
    return np.frombuffer(_unpacked_words(packed), STATE)


def saved_bytes(packed: bytes) -> bytes:
    """Return a state as bytes of LAYOUT."""
    saved: bytes = _unpacked_words([packed]).tobytes()  # numpy copies words far faster than nested fields
    return saved


def _unpacked_words(packed: Sequence[bytes]) -> Any:
    """Unpack states: the words of STATE [n, words]."""
    compile_packing()
    words = np.empty((len(packed), _WORDS), WORD)
    _unpack_into(words, packed)
    return words


def _unpack_into(words: Any, packed: Sequence[bytes]) -> None:
    unpack_records(np.frombuffer(b"".join(packed), WORD), _FRESH, words)


def position(part: str, field: str) -> int:
    """Return the position of an integer field of a part in STATE, in words."""
    fields: Any = STATE.fields
    inner: Any = fields[part][0].fields
    return int(fields[part][1] + inner[field][1]) // _WORD_BYTES


def integer(packed: bytes, at: int) -> int:
    """Return the integer at a position of a packed state, without unpacking the others."""
    bits = int.from_bytes(packed[: len(NOT_SEEN)], "little")
    if not bits >> at & 1:
        return int(_FRESH[at].astype(np.int64))
    begin = len(NOT_SEEN) + _WORD_BYTES * (bits & ((1 << at) - 1)).bit_count()
    return int.from_bytes(packed[begin : begin + _WORD_BYTES], "little", signed=True)


@kernel
def pack_records(records: Any, plain: Any, room: Any, ends: Any) -> None:
    """Pack records, one after the other.

    Args:
        records: their words [n, words].
        plain: the words [words] of a hammer not seen yet.
        room: words [n × (words + words of bits) + 1].
        ends: where each packed record ends in `room` [n]; written.
    """
    words = plain.size
    groups = (words + 63) // 64
    begin = np.uintp(0)
    for g in range(len(records)):
        record = records[g]
        at = begin + np.uintp(groups)
        for j in range(groups):
            bits = np.uint64(0)
            for b in range(min(64, words - 64 * j)):
                i = np.uintp(64 * j + b)
                word = record[i]
                room[at] = word  # the next word takes its place if it does not differ
                differs = np.uint64(word != plain[i])
                bits |= differs << np.uint64(b)
                at += np.uintp(differs)
            room[begin + np.uintp(j)] = bits
        ends[g] = at
        begin = at


@kernel
def unpack_records(packed: Any, plain: Any, records: Any) -> None:
    """Unpack records.

    Args:
        packed: the words of packed records, one record after the other.
        plain: the words [words] of a hammer not seen yet.
        records: their words [n, words]; written.
    """
    words = plain.size
    groups = (words + 63) // 64
    begin = np.uintp(0)
    for g in range(len(records)):
        record = records[g]
        for k in range(words):
            record[np.uintp(k)] = plain[np.uintp(k)]
        at = begin + np.uintp(groups)
        for j in range(groups):
            bits = packed[begin + np.uintp(j)]
            i = np.uintp(64 * j)
            while bits:
                if bits & np.uint64(1):
                    record[i] = packed[at]
                    at += np.uintp(1)
                bits >>= np.uint64(1)
                i += np.uintp(1)
        begin = at


@cache
def compile_packing() -> None:
    """Compile packing and unpacking or load them from the cache, for the types that they are given and no others."""
    packs, unpacks = compiled(pack_records), compiled(unpack_records)
    records, plain = np.empty((0, 1), WORD), np.empty(1, WORD)
    packs(records, plain, plain, np.empty(0, np.int64))
    unpacks(np.frombuffer(b"", WORD), plain, records)
    for each in (packs, unpacks):
        each.disable_compile()
