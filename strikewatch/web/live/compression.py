"""A compressed stream of events for many readers, each event compressed once.

Deflate (RFC 1951) refers back to what was sent before, so a stream belongs to one reader. Here it is reset every
`EVENTS_PER_PART` events: what follows a reset refers to nothing before it. A reader who joins gets events compressed
for it alone until the next reset, and from then on the same bytes as all others. This takes a fraction of the time and
memory of a compressor for each reader.
"""

import zlib
from typing import Final, NamedTuple

EVENTS_PER_PART: Final = 128
_RAW: Final = -zlib.MAX_WBITS
_SMALL_WINDOW: Final = -12
"""4 KiB: for the time until a reader shares the stream."""
GZIP_HEADER: Final = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
"""Of RFC 1952: deflate, no name, no time, unknown system."""


class SharedEvent(NamedTuple):
    """An event for all readers: plain and compressed. `reset`: what follows refers to nothing before it."""

    plain: bytes
    compressed: bytes
    reset: bool


class SharedCompressor:
    """Compresses events for all readers."""

    def __init__(self) -> None:
        self._deflate = zlib.compressobj(6, zlib.DEFLATED, _RAW)
        self._count = 0

    def add(self, event: bytes) -> SharedEvent:
        """Compress the next event."""
        self._count = (self._count + 1) % EVENTS_PER_PART
        reset = self._count == 0
        flush = zlib.Z_FULL_FLUSH if reset else zlib.Z_SYNC_FLUSH
        return SharedEvent(event, self._deflate.compress(event) + self._deflate.flush(flush), reset)


class ReaderCompressor:
    """The compressed stream of one reader (gzip)."""

    def __init__(self) -> None:
        self._deflate = zlib.compressobj(6, zlib.DEFLATED, _SMALL_WINDOW, 6)
        self._head = GZIP_HEADER
        self._shares = False

    def add(self, event: bytes | SharedEvent) -> bytes:
        """Return the bytes of the next event; those for this reader alone come first."""
        if self._shares and isinstance(event, SharedEvent):
            return event.compressed
        if isinstance(event, SharedEvent):
            self._shares, event = event.reset, event.plain
        head, self._head = self._head, b""
        return head + self._deflate.compress(event) + self._deflate.flush(zlib.Z_SYNC_FLUSH)
