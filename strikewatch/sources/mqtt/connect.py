"""Sockets to the broker: opened with a timeout, over TLS always with the host name verified, and buffered.

The MQTT client reads a packet in three or more small pieces, and writes each acknowledgement separately. On a plain
socket each is a system call that releases Python's global lock, which a busy worker thread then holds for up to 5 ms.
"""

import contextlib
import socket
import ssl
import time
from typing import Final, Protocol

from strikewatch.sources.mqtt.settings import Settings

_READ_BYTES: Final = 256 * 1024


def tls_context(settings: Settings) -> ssl.SSLContext | None:
    """Return the TLS context of the settings; None without TLS. Raises OSError for files that cannot be used."""
    tls = settings.tls
    if tls is None:
        return None
    context = ssl.create_default_context(cafile=tls.ca_file)
    if tls.cert_file is not None:
        context.load_cert_chain(tls.cert_file, tls.key_file)
    return context


def read_password(settings: Settings) -> str | None:
    """Read the user's password from its file; None without one. Raises OSError."""
    path = settings.password_file
    return path.read_text().rstrip("\r\n") if path else None


def open_socket(host: str, port: int, timeout_s: float, context: ssl.SSLContext | None) -> socket.socket:
    """Return a connected socket. Raises OSError (ssl's errors included)."""
    raw = socket.create_connection((host, port), timeout=timeout_s)
    raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return raw if context is None else context.wrap_socket(raw, server_hostname=host)


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
        self.received = b""
        self.position = 0
        """Of the first byte of `received` that is not read yet."""
        self.ended = False
        """Whether the other end has closed the connection."""
        self._raw = raw
        self._to_send = bytearray()

    def fill(self) -> bool:
        """Receive data if all is read; return whether there is some. If not, `recv` gives the reason."""
        if self.position == len(self.received):
            with contextlib.suppress(BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                self._receive()
        return self.position < len(self.received)

    def recv(self, size: int) -> bytes:
        """Return up to `size` bytes; b"" at the end. Raises BlockingIOError or ssl's want-errors if there are none."""
        if self.position == len(self.received):
            self._receive()
        at = self.position
        self.position = min(at + size, len(self.received))
        return self.received[at : self.position]

    def _receive(self) -> None:
        self.received = self._raw.recv(_READ_BYTES)
        self.position = 0
        self.ended = not self.received
        self.last_received = time.monotonic()

    def pending(self) -> int:
        """Return the number of bytes that can be read without waiting, and that no poll reports."""
        rest = len(self.received) - self.position
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
