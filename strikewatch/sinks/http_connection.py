"""One HTTP/1.1 connection that is kept open for POSTs: an allowed address, a deadline, one write, the result.

A plain response (RFC 9112: a status line, a few headers, a body of known length) is read here; anything else is left to
`http.client`, which is slower by a factor of five.
"""

import contextlib
import http.client
import io
import re
import socket
import ssl
import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Any, Final
from urllib.parse import urlsplit

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks import SendResult
from strikewatch.sinks.address import Resolver, is_private, parse_networks, resolve_allowed
from strikewatch.sinks.settings import MAX_WAIT_S, HttpTarget

_MAX_RESPONSE_BYTES: Final = 65_536
"""How much of a response is read to keep the connection; after a longer response it is closed."""
_READ_BYTES: Final = 16_384
_PORTS: Final = {"http": 80, "https": 443}
_PLAIN_HEAD: Final = re.compile(
    rb"HTTP/1\.1 ([2-5]\d\d)(?: [^\r\n]*)?\r\n((?:[A-Za-z0-9-]+:[^\r\n]*\r\n)*)\r\n"
)
_NO_CONTENT: Final = (204, 304)
"""Statuses whose responses have no body, whatever their headers say (RFC 9112, section 6.3)."""


@dataclass(frozen=True, slots=True)
class Response:
    """What a POST was answered with. `retry_after`: that header's value."""

    status: int
    retry_after: str | None


class _DeadlineMixin:
    """A socket whose reads must all end by `deadline_s` (monotonic), even if the other side sends byte by byte."""

    deadline_s: float = 0.0

    def recv_into(self, *arguments: Any) -> int:
        remaining_s = self.deadline_s - time.monotonic()
        if remaining_s <= 0:
            raise TimeoutError("no complete response in time")
        self.settimeout(remaining_s)  # type: ignore[attr-defined]  # a socket's, mixed in
        read: int = super().recv_into(*arguments)  # type: ignore[misc]
        return read


class _PlainSocket(_DeadlineMixin, socket.socket):
    pass


class _TlsSocket(_DeadlineMixin, ssl.SSLSocket):
    pass


class HttpConnection:
    """A connection to a target, opened when first needed. `trace`: the steps of connecting, one line each."""

    def __init__(self, target: HttpTarget, resolve: Resolver) -> None:
        parts = urlsplit(target.url)
        self.sock: _PlainSocket | _TlsSocket | None = None
        self.host = parts.hostname or ""
        self.port = parts.port or _PORTS[parts.scheme]
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        host = f"[{self.host}]" if ":" in self.host else self.host
        if self.port != _PORTS[parts.scheme]:
            host += f":{self.port}"
        self._head = f"POST {path} HTTP/1.1\r\nHost: {host}\r\nAccept-Encoding: identity\r\n"
        self._target = target
        self._context = _tls_context(target)
        self._allowed = parse_networks(target.allow_private)
        self._resolve = resolve
        self.deadline_s = 0.0
        self.trace: list[str] = []

    def connect(self) -> None:
        """Resolve, check, connect and start TLS. Raises OSError, including ssl errors and ForbiddenAddressError."""
        self.trace = [f"looking up {self.host}"]
        addresses = resolve_allowed(self.host, self.port, self._allowed, self._remaining_s(), self._resolve)
        self.trace = [f"{self.host} is {', '.join(addresses)}"]
        if self._context is None and not self._target.allow_http:
            for address in addresses:
                if not is_private(address):
                    raise OSError(
                        f"not connected: http to {address} is not encrypted; use https, or set allow_http"
                    )
        raw, address = self._open_socket(addresses)
        self.trace.append(f"connected to {address} port {self.port}")
        if self._context is None:
            self.sock = raw
        else:
            self.sock = self._start_tls(raw, self._context)
        self.sock.deadline_s = self.deadline_s

    def set_deadline(self, deadline_s: float) -> None:
        """Set the deadline of the next exchange (monotonic, s)."""
        self.deadline_s = deadline_s
        if self.sock is not None:
            self.sock.deadline_s = deadline_s
            self.sock.settimeout(max(deadline_s - time.monotonic(), 0.001))

    def post(self, headers: Mapping[str, str], body: bytes) -> Response:
        """Send a request and read the response. Raises OSError, http.client.HTTPException."""
        if self.sock is None:
            self.connect()
            assert self.sock is not None
        lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
        head = f"{self._head}Content-Length: {len(body)}\r\n{lines}\r\n"
        self.sock.sendall(head.encode("ascii") + body)
        received = _receive(self.sock)
        return self._plain_response(self.sock, received) or self._any_response(self.sock, received)

    def close(self) -> None:
        if self.sock is not None:
            self.sock.close()
            self.sock = None

    def _plain_response(self, sock: socket.socket, received: bytes) -> Response | None:
        """Read the rest of a plain response; None if it is not plain, and then nothing was read."""
        found = _PLAIN_HEAD.match(received)
        if found is None:
            return None
        lines = found[2].split(b"\r\n")[:-1]
        fields = {name.lower(): value.strip() for name, _, value in (line.partition(b":") for line in lines)}
        status, length = int(found[1]), fields.get(b"content-length", b"")
        if status in _NO_CONTENT:
            length = length or b"0"
        if (
            len(fields) < len(lines)
            or b"transfer-encoding" in fields
            or b"connection" in fields
            or not re.fullmatch(rb"\d{1,5}", length)
            or (status in _NO_CONTENT and int(length))
        ):
            return None
        remaining = int(length) - (len(received) - found.end())
        try:
            while remaining > 0 and (read := len(_receive(sock))):
                remaining -= read
        except OSError:
            pass  # the status has arrived, and only that counts
        if remaining:  # cut off, or followed by something that was not asked for
            self.close()
        retry_after = fields.get(b"retry-after")
        return Response(status, None if retry_after is None else retry_after.decode("latin-1"))

    def _any_response(self, sock: socket.socket, received: bytes) -> Response:
        """Read any response that begins with `received`."""
        response = http.client.HTTPResponse(_Started(received, sock), method="POST")  # type: ignore[arg-type]
        try:
            response.begin()
            try:
                response.read(_MAX_RESPONSE_BYTES)
                complete = response.isclosed() and not response.will_close and not response.length
            except (OSError, http.client.HTTPException):
                complete = False  # as above
            if not complete:
                self.close()
            retry_after = response.headers.get("retry-after")
            return Response(response.status, None if retry_after is None else retry_after.strip())
        finally:
            response.close()

    def _open_socket(self, addresses: list[str]) -> tuple[_PlainSocket, str]:
        problem: OSError = OSError(f"{self.host} has no address")
        for address in addresses:
            raw = _PlainSocket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
            try:
                raw.settimeout(self._remaining_s())
                raw.connect((address, self.port))
                raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            except OSError as error:
                raw.close()
                problem = error
                self.trace.append(f"{address} port {self.port}: {error}")
            else:
                return raw, address
        raise problem

    def _start_tls(self, raw: _PlainSocket, context: ssl.SSLContext) -> _TlsSocket:
        raw.settimeout(self._remaining_s())
        try:
            tls = context.wrap_socket(raw, server_hostname=self.host)
        except OSError:
            with contextlib.suppress(OSError):
                raw.close()
            raise
        assert isinstance(tls, _TlsSocket)
        self.trace.append(f"{tls.version()}, certificate valid for {self.host}")
        tls.settimeout(max(self.deadline_s - time.monotonic(), 0.001))
        return tls

    def _remaining_s(self) -> float:
        remaining_s = min(self._target.connect_timeout_s, self.deadline_s - time.monotonic())
        if remaining_s <= 0:
            raise TimeoutError("no connection in time")
        return remaining_s


def _receive(sock: socket.socket) -> bytes:
    """Read what has arrived, up to the socket's deadline; b"" at the end."""
    buffer = bytearray(_READ_BYTES)
    return bytes(memoryview(buffer)[: sock.recv_into(buffer)])


class _Started(io.RawIOBase):
    """A socket of which some bytes have been read already, as `http.client` reads it."""

    def __init__(self, received: bytes, sock: socket.socket) -> None:
        self._received = received
        self._sock = sock

    def makefile(self, _mode: str) -> io.BufferedReader:
        return io.BufferedReader(self)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if not self._received:
            return self._sock.recv_into(buffer)
        n = min(len(buffer), len(self._received))
        buffer[:n] = self._received[:n]
        self._received = self._received[n:]
        return n


def _tls_context(target: HttpTarget) -> ssl.SSLContext | None:
    """Return the target's TLS context, which always checks names; None for http. Raises OSError for a bad ca_file."""
    if urlsplit(target.url).scheme != "https":
        return None
    context = ssl.create_default_context(cafile=target.ca_file)
    context.sslsocket_class = _TlsSocket
    return context


def exchange(
    connection: HttpConnection,
    headers: Mapping[str, str],
    body: bytes,
    now: Instant,
    gone: Collection[int] = (410,),
) -> SendResult:
    """Post once at wall time `now` before the connection's deadline; `gone`: statuses of an endpoint that is gone.

    A kept connection that the other side has closed is opened again.
    """
    try:
        if connection.sock is not None:
            connection.trace = ["over the connection kept open"]
            try:
                return _post(connection, headers, body, now, gone)
            except (ConnectionError, http.client.HTTPException):
                connection.close()
        return _post(connection, headers, body, now, gone)
    except (OSError, http.client.HTTPException) as error:
        connection.close()
        return SendResult(False, _summary(error), trace="\n".join(connection.trace))


def _post(
    connection: HttpConnection, headers: Mapping[str, str], body: bytes, now: Instant, gone: Collection[int]
) -> SendResult:
    response = connection.post(headers, body)
    return SendResult(
        200 <= response.status < 300,
        f"HTTP {response.status}",
        response.status in gone,
        _retry_after_s(response.retry_after, now),
        "\n".join([*connection.trace, f"answered HTTP {response.status}"]),
    )


def _retry_after_s(value: str | None, now: Instant) -> float:
    """Return the wait that Retry-After asks for (RFC 9110, section 10.2.3: seconds or a date), s; 0 without one."""
    if value is None:
        return 0.0
    if value.strip().isdecimal():
        wait_s = float(value)
    else:
        try:
            moment = parsedate_to_datetime(value)
            wait_s = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() - now / SECOND
        except (ValueError, OverflowError):
            return 0.0
    return min(max(wait_s, 0.0), MAX_WAIT_S)


def _summary(error: Exception) -> str:
    """Return the error in a few words."""
    kind = "Timeout" if isinstance(error, TimeoutError) else type(error).__name__
    return f"{kind}: {error}"[:200]
