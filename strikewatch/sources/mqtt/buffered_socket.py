"""A socket that is read and written in large pieces.

The MQTT client reads a packet in three or more small pieces, and writes each acknowledgement by itself. On a bare
socket each is a system call that gives up Python's global lock, which a busy step thread then holds for up to 5 ms.
"""

import contextlib
import ssl
import time
from typing import Final, Protocol

_PIECE: Final = 256 * 1024


class RawSocket(Protocol):
    """What is used of a TCP or TLS socket."""

    def recv(self, buffer_size: int, /) -> bytes: ...
    def send(self, buffer: bytes | bytearray, /) -> int: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...
    def setblocking(self, flag: bool, /) -> None: ...
    def settimeout(self, value: float, /) -> None: ...


class Wire:
    """A non-blocking socket with a buffer either way. Writing never blocks: `flush` sends what the line takes."""

    def __init__(self, raw: RawSocket) -> None:
        self.linger_s = 0.0
        self.heard = time.monotonic()
        """When something last came from the other end."""
        self._raw = raw
        self._in = b""
        self._at = 0
        self._out = bytearray()

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; b"" at the end. Raises BlockingIOError or ssl's want-errors where nothing is there."""
        at = self._at
        piece = self._in[at : at + size]
        if piece:
            self._at = at + len(piece)
            return piece
        self._in = self._raw.recv(_PIECE)
        self.heard = time.monotonic()
        self._at = min(size, len(self._in))
        return self._in[: self._at]

    def pending(self) -> int:
        """Bytes that can be read without waiting, and that no poll will tell of."""
        rest = len(self._in) - self._at
        return rest or (self._raw.pending() if isinstance(self._raw, ssl.SSLSocket) else 0)

    def send(self, data: bytes | bytearray) -> int:
        """Takes everything."""
        self._out += data
        return len(data)

    def flush(self) -> bool:
        """Send what the line takes; whether anything is left. Raises OSError where the line is gone."""
        while self._out:
            try:
                sent = self._raw.send(self._out)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return True
            del self._out[:sent]
        return False

    def fileno(self) -> int:
        return self._raw.fileno()

    def setblocking(self, flag: bool) -> None:
        self._raw.setblocking(flag)

    def close(self) -> None:
        """Close; with `linger_s` set, first send what is left and wait so long for the other end to close.

        Closing right after a farewell can make the broker drop what it has not yet read of us: acknowledgements.
        """
        with contextlib.suppress(OSError):
            if self.linger_s > 0:
                self._linger(time.monotonic() + self.linger_s)
        self._raw.close()

    def _linger(self, deadline: float) -> None:
        while (left_s := deadline - time.monotonic()) > 0:
            self._raw.settimeout(left_s)
            if not self.flush() and not self._raw.recv(_PIECE):
                return
