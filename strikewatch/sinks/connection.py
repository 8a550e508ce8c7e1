"""One HTTP connection to one of a host's checked addresses, with a time by which all must be done.

No proxy, no redirect, no second look-up. The certificate must be valid for the host's name, or its literal address.
"""

import contextlib
import http.client
import socket
import ssl
import time
from typing import Any, Final
from urllib.parse import urlsplit

from strikewatch.sinks.address import Resolver, checked, is_private, networks
from strikewatch.sinks.target import Target

_PORTS: Final = {"http": 80, "https": 443}


class _InTime:
    """A socket whose reads must all be done by `until`, however small the pieces in which the other side sends."""

    until: float = 0.0

    def recv_into(self, *arguments: Any) -> int:
        left_s = self.until - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("no whole answer in time")
        self.settimeout(left_s)  # type: ignore[attr-defined]  # a socket's, mixed in
        read: int = super().recv_into(*arguments)  # type: ignore[misc]
        return read


class _Open(_InTime, socket.socket):
    pass


class _Sealed(_InTime, ssl.SSLSocket):
    pass


class Line(http.client.HTTPConnection):
    """A connection to a target, opened when first needed. `story` tells how it came about, step by step."""

    sock: _Open | _Sealed | None

    def __init__(self, target: Target, context: ssl.SSLContext | None, resolve: Resolver) -> None:
        parts = urlsplit(target.url)
        self.default_port = _PORTS[parts.scheme]  # the Host header leaves it out
        super().__init__(parts.hostname or "", parts.port or self.default_port)
        self._target = target
        self._context = context
        self._allowed = networks(target.allow_private)
        self._resolve = resolve
        self.until = 0.0
        self.story: list[str] = []

    def connect(self) -> None:
        """Look up, check, connect and shake hands. Raises OSError, ssl's and ForbiddenAddressError among it."""
        self.story = [f"looking up {self.host}"]
        addresses = checked(self.host, self.port, self._allowed, self._left_s(), self._resolve)
        self.story = [f"{self.host} is {', '.join(addresses)}"]
        if self._context is None and not self._target.allow_http:
            for address in addresses:
                if not is_private(address):
                    raise OSError(
                        f"not connected: http to {address} is for all to read; use https, or set allow_http"
                    )
        raw, address = self._dial(addresses)
        self.story.append(f"connected to {address} port {self.port}")
        if self._context is None:
            self.sock = raw
        else:
            self.sock = self._seal(raw, self._context)
        self.sock.until = self.until

    def due(self, until: float) -> None:
        """All of the next exchange must be done by then (monotonic, s)."""
        self.until = until
        if self.sock is not None:
            self.sock.until = until
            self.sock.settimeout(max(until - time.monotonic(), 0.001))

    def _dial(self, addresses: list[str]) -> tuple[_Open, str]:
        problem: OSError = OSError(f"{self.host} has no address")
        for address in addresses:
            raw = _Open(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
            try:
                raw.settimeout(self._left_s())
                raw.connect((address, self.port))
                raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            except OSError as error:
                raw.close()
                problem = error
                self.story.append(f"{address} port {self.port}: {error}")
            else:
                return raw, address
        raise problem

    def _seal(self, raw: _Open, context: ssl.SSLContext) -> _Sealed:
        raw.settimeout(self._left_s())
        try:
            sealed = context.wrap_socket(raw, server_hostname=self.host)
        except OSError:
            with contextlib.suppress(OSError):
                raw.close()
            raise
        assert isinstance(sealed, _Sealed)
        self.story.append(f"{sealed.version()}, certificate valid for {self.host}")
        sealed.settimeout(max(self.until - time.monotonic(), 0.001))
        return sealed

    def _left_s(self) -> float:
        left_s = min(self._target.connect_timeout_s, self.until - time.monotonic())
        if left_s <= 0:
            raise TimeoutError("no connection in time")
        return left_s


def context_of(target: Target) -> ssl.SSLContext | None:
    """TLS as the target asks for it: names always checked. None for http. Raises OSError for a bad ca_file."""
    if urlsplit(target.url).scheme != "https":
        return None
    context = ssl.create_default_context(cafile=target.ca_file)
    context.sslsocket_class = _Sealed
    return context
