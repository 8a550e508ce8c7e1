"""Records packed into the words in which they differ from a plain one, and back.

A packed record has a bit for each of its 64-bit words, in whole words, 1 if the word differs from the plain record's;
then the words that do. So equal records are packed into equal bytes.
"""

from functools import cache
from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import compiled, kernel

WORD: Final = np.dtype("<u8")
_BITS: Final = 64


def bit_words(words: int) -> int:
    """Return how many words have a bit for each of so many words."""
    return -(-words // _BITS)


@kernel
def pack_records(records: Any, plain: Any, room: Any, ends: Any) -> None:
    """Pack records, one after the other.

    Args:
        records: their words [n, words].
        plain: the words [words] of the plain record.
        room: words [n × (words + bit_words(words)) + 1].
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
                room[at] = word  # the next word takes its place if it is plain
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
        plain: the words [words] of the plain record.
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
