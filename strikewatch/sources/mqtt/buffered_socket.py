"""A socket that reads and writes in large pieces.

The MQTT client reads a packet in three or more small pieces, and writes each acknowledgement separately. On a plain
socket each is a system call that releases Python's global lock, which a busy worker thread then holds for up to 5 ms.
"""

import contextlib
import ssl
import time
from typing import Final, Protocol

_READ_BYTES: Final = 256 * 1024


class RawSocket(Protocol):
    """The methods used of a TCP or TLS socket."""

    def recv(self, buffer_size: int, /) -> bytes: ...
    def send(self, buffer: bytes | bytearray, /) -> int: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...
    def setblocking(self, flag: bool, /) -> None: ...
    def settimeout(self, value: float, /) -> None: ...


class BufferedSocket:
    """A non-blocking socket, buffered in each direction. `send` never blocks; `flush` sends what the socket takes."""

    def __init__(self, raw: RawSocket) -> None:
        self.linger_s = 0.0
        self.last_received = time.monotonic()
        """When data last arrived, monotonic s."""
        self._raw = raw
        self._received = b""
        self._position = 0
        self._to_send = bytearray()

    def recv(self, size: int) -> bytes:
        """Return up to `size` bytes; b"" at the end. Raises BlockingIOError or ssl's want-errors if there are none."""
        at = self._position
        piece = self._received[at : at + size]
        if piece:
            self._position = at + len(piece)
            return piece
        self._received = self._raw.recv(_READ_BYTES)
        self.last_received = time.monotonic()
        self._position = min(size, len(self._received))
        return self._received[: self._position]

    def pending(self) -> int:
        """Return the number of bytes that can be read without waiting, and that no poll reports."""
        rest = len(self._received) - self._position
        return rest or (self._raw.pending() if isinstance(self._raw, ssl.SSLSocket) else 0)

    def send(self, data: bytes | bytearray) -> int:
        """Buffer the data."""
        self._to_send += data
        return len(data)

    def flush(self) -> bool:
        """Send what the socket takes; tell whether data is left. Raises OSError if the connection is lost."""
        while self._to_send:
            try:
                sent = self._raw.send(self._to_send)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return True
            del self._to_send[:sent]
        return False

    def fileno(self) -> int:
        return self._raw.fileno()

    def setblocking(self, flag: bool) -> None:
        self._raw.setblocking(flag)

    def close(self) -> None:
        """Close; with `linger_s` set, first send what is left and wait this long for the other end to close.

        Closing right after DISCONNECT can make the broker drop what it has not read yet: acknowledgements.
        """
        with contextlib.suppress(OSError):
            if self.linger_s > 0:
                self._linger(time.monotonic() + self.linger_s)
        self._raw.close()

    def _linger(self, deadline: float) -> None:
        while (left_s := deadline - time.monotonic()) > 0:
            self._raw.settimeout(left_s)
            if not self.flush() and not self._raw.recv(_READ_BYTES):
                return
