"""The saved states of hammers, stored without zeros: three quarters are room for entries and names not yet there.

A layout that begins with `sparse:SIZE` says that the first SIZE bytes of the state were 64-bit words, and that zero
words are left out. It is stored as the other words, then what followed the SIZE bytes, then a bit for each word: 1 if
it is not zero.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:  # a command that reads the states by themselves loads no SQLAlchemy
    from sqlalchemy import Connection

_PREFIX: Final = "sparse:"
_WORD: Final = "<u8"
_WORD_BYTES: Final = 8


def read_states(connection: "Connection", *where: Any) -> Iterator[tuple[str, str, str, bytes]]:
    """Yield (site, hammer, layout, state) of the hammers that fulfil all conditions, sorted by name."""
    from sqlalchemy import select

    from strikewatch.storage.schema.tables import hammer_state

    c = hammer_state.c
    query = select(c.site, c.hammer, c.layout, c.state).where(*where).order_by(c.site, c.hammer)
    for site, hammer, layout, stored in connection.execute(query):
        yield site, hammer, *unpack(layout, bytes(stored))


def pack(layout: str, state: bytes) -> tuple[str, bytes]:
    """Return the layout and the bytes to store; unchanged where the layout does not give the size of each part."""
    import numpy as np  # here, because commands that find no states should not wait for it

    size = _size(layout)
    if not 0 < size <= len(state):
        return layout, state
    words = np.frombuffer(state, _WORD, size // _WORD_BYTES)
    known = words != 0
    return (
        f"{_PREFIX}{size} {layout}",
        words[known].tobytes() + state[size:] + np.packbits(known).tobytes(),
    )


def unpack(layout: str, stored: bytes) -> tuple[str, bytes]:
    """Return layout and state as they were before `pack`; stored bytes that cannot be read give an empty state."""
    import numpy as np

    head, _, rest = layout.partition(" ")
    if not head.startswith(_PREFIX):
        return layout, stored
    words: Any = np.zeros(int(head.removeprefix(_PREFIX)) // _WORD_BYTES, _WORD)
    known_at = len(stored) - (len(words) + 7) // 8
    if known_at < 0:
        return rest, b""
    known = np.unpackbits(np.frombuffer(stored, np.uint8, offset=known_at), count=len(words)).view(bool)
    end = int(np.count_nonzero(known)) * _WORD_BYTES
    if end > known_at:
        return rest, b""
    words[known] = np.frombuffer(stored[:end], _WORD)
    return rest, words.tobytes() + stored[end:known_at]


@lru_cache
def _size(layout: str) -> int:
    """Return the size of the parts of a layout (`name/version:size`) in whole words, bytes; 0 if one has no size."""
    sizes = [part.rpartition(":")[2] for part in layout.split()]
    if layout.startswith(_PREFIX) or not all(size.isdecimal() for size in sizes):
        return 0
    return sum(map(int, sizes)) // _WORD_BYTES * _WORD_BYTES
