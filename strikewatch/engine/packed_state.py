"""The states of hammers as they are kept in memory: packed into what differs from a hammer not seen yet.

Most of a record of STATE is room: for entries not made yet, operators not signed on, channels that the feed does not
have. So a hammer takes about 2 kB instead of 10, and is unpacked for a step. Equal states are equal bytes.

Saved bytes are not packed like this (see `engine.state`): they must not depend on what a fresh state is today.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from strikewatch.detectors.compiled import packing
from strikewatch.detectors.compiled.packing import WORD
from strikewatch.engine.state import STATE, fresh

_WORDS: Final = STATE.itemsize // WORD.itemsize
_BITS: Final = packing.bit_words(_WORDS)
_FRESH: Final = np.frombuffer(fresh(), WORD)
NOT_SEEN: Final = bytes(WORD.itemsize * _BITS)
"""The packed state of a hammer not seen yet."""


class Workspace:
    """Room in which up to `hammers` states are unpacked and packed again; for one thread at a time."""

    def __init__(self, hammers: int) -> None:
        packing.compile_packing()
        self._words = np.empty((hammers, _WORDS), WORD)
        self._room = np.empty(hammers * (_BITS + _WORDS) + 1, WORD)
        self._ends = np.empty(hammers, np.int64)

    def unpack(self, packed: Sequence[bytes]) -> Any:
        """Unpack states: STATE [n], valid until the next call."""
        return _unpack_into(self._words[: len(packed)], packed)

    def pack(self, states: Any) -> list[bytes]:
        """Pack states (STATE [n])."""
        words = np.frombuffer(states, WORD).reshape(-1, _WORDS)
        packing.pack_records(words, _FRESH, self._room, self._ends)
        packed, begin = [], 0
        for end in self._ends[: len(states)].tolist():
            packed.append(self._room[begin:end].tobytes())
            begin = end
        return packed


def pack(state: Any) -> bytes:
    """Pack one state (STATE [1])."""
    return Workspace(1).pack(state)[0]


def unpack(packed: Sequence[bytes]) -> Any:
    """Unpack states: STATE [n]."""
    packing.compile_packing()
    return _unpack_into(np.empty((len(packed), _WORDS), WORD), packed)


def _unpack_into(words: Any, packed: Sequence[bytes]) -> Any:
    packing.unpack_records(np.frombuffer(b"".join(packed), WORD), _FRESH, words)
    return np.frombuffer(words, STATE)


def saved_bytes(packed: bytes) -> bytes:
    """Return a state as bytes of LAYOUT."""
    saved: bytes = np.frombuffer(
        unpack([packed]), WORD
    ).tobytes()  # of plain words, which numpy copies far faster
    return saved


def position(part: str, field: str) -> int:
    """Return the position of an integer field of a part in STATE, in words."""
    fields: Any = STATE.fields
    inner: Any = fields[part][0].fields
    return int(fields[part][1] + inner[field][1]) // WORD.itemsize


def integer(packed: bytes, at: int) -> int:
    """Return the integer at a position of a packed state, without unpacking the others."""
    bits = int.from_bytes(packed[: len(NOT_SEEN)], "little")
    if not bits >> at & 1:
        return int(_FRESH[at].astype(np.int64))
    begin = len(NOT_SEEN) + WORD.itemsize * (bits & ((1 << at) - 1)).bit_count()
    return int.from_bytes(packed[begin : begin + WORD.itemsize], "little", signed=True)
