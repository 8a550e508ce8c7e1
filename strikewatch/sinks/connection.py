"""An HTTP connection to an allowed address of a host, with a deadline for each whole exchange.

No proxy, no redirect, no second look-up. The certificate must be valid for the host name, or its literal address.
"""

import contextlib
import http.client
import socket
import ssl
import time
from typing import Any, Final
from urllib.parse import urlsplit

from strikewatch.sinks.address import Resolver, is_private, parse_networks, resolve_allowed
from strikewatch.sinks.target import Target

_PORTS: Final = {"http": 80, "https": 443}


class _DeadlineMixin:
    """A socket whose reads must all end by `deadline_s` (monotonic), even if the other side sends byte by byte."""

    deadline_s: float = 0.0

    def recv_into(self, *arguments: Any) -> int:
        left_s = self.deadline_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("no complete response in time")
        self.settimeout(left_s)  # type: ignore[attr-defined]  # a socket's, mixed in
        read: int = super().recv_into(*arguments)  # type: ignore[misc]
        return read


class _PlainSocket(_DeadlineMixin, socket.socket):
    pass


class _TlsSocket(_DeadlineMixin, ssl.SSLSocket):
    pass


class HttpConnection(http.client.HTTPConnection):
    """A connection to a target, opened when first needed. `trace`: the steps of connecting, one line each."""

    sock: _PlainSocket | _TlsSocket | None

    def __init__(self, target: Target, context: ssl.SSLContext | None, resolve: Resolver) -> None:
        parts = urlsplit(target.url)
        self.default_port = _PORTS[parts.scheme]  # the Host header omits it
        super().__init__(parts.hostname or "", parts.port or self.default_port)
        self._target = target
        self._context = context
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
            sealed = context.wrap_socket(raw, server_hostname=self.host)
        except OSError:
            with contextlib.suppress(OSError):
                raw.close()
            raise
        assert isinstance(sealed, _TlsSocket)
        self.trace.append(f"{sealed.version()}, certificate valid for {self.host}")
        sealed.settimeout(max(self.deadline_s - time.monotonic(), 0.001))
        return sealed

    def _remaining_s(self) -> float:
        left_s = min(self._target.connect_timeout_s, self.deadline_s - time.monotonic())
        if left_s <= 0:
            raise TimeoutError("no connection in time")
        return left_s


def tls_context(target: Target) -> ssl.SSLContext | None:
    """Return the target's TLS context, which always checks names; None for http. Raises OSError for a bad ca_file."""
    if urlsplit(target.url).scheme != "https":
        return None
    context = ssl.create_default_context(cafile=target.ca_file)
    context.sslsocket_class = _TlsSocket
    return context
