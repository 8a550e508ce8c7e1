"""Deliver by a signed POST, over a connection to an allowed address of the host that is kept open.

No proxy, no redirect, no second look-up, and a deadline for each exchange. The certificate must be valid for the host
name, or its literal address.
"""

import contextlib
import http.client
import socket
import ssl
import time
from collections.abc import Sequence
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Any, Final
from urllib.parse import urlsplit

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks import webhook
from strikewatch.sinks.address import Resolver, is_private, parse_networks, resolve_allowed, system_resolver
from strikewatch.sinks.endpoint import Endpoint, SendResult
from strikewatch.sinks.settings import MAX_WAIT_S, Target, WebhookSettings, read_secrets
from strikewatch.storage.outbox.messages import Message

_MAX_RESPONSE_BYTES: Final = 65_536
"""How much of a response is read to keep the connection; after a longer response it is closed."""
_PORTS: Final = {"http": 80, "https": 443}


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


class Poster:
    """Posts to one target: no redirects, no proxies, only to checked addresses, in `timeout_s` altogether."""

    def __init__(self, target: Target, keys: Sequence[bytes], resolve: Resolver = system_resolver) -> None:
        self._keys = keys
        self._timeout_s = target.timeout_s
        parts = urlsplit(target.url)
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self._connection = HttpConnection(target, _tls_context(target), resolve)

    def send(self, message: Message, now: Instant) -> SendResult:
        """Post a message of the outbox, once."""
        return self.post(message.name, webhook.envelope(message), now)

    def post(self, name: str, body: bytes, now: Instant) -> SendResult:
        """Post once, at wall time `now`; a kept connection that the other side has closed is opened again."""
        headers = webhook.headers(self._keys, name, now // SECOND, body)
        connection = self._connection
        connection.set_deadline(time.monotonic() + self._timeout_s)
        try:
            if connection.sock is not None:
                connection.trace = ["over the connection kept open"]
                try:
                    return self._exchange(headers, body, now)
                except (ConnectionError, http.client.HTTPException):
                    connection.close()
            return self._exchange(headers, body, now)
        except (OSError, http.client.HTTPException) as error:
            connection.close()
            return SendResult(False, _summary(error), trace="\n".join(connection.trace))

    def idle(self) -> None:
        """Do nothing: the connection is kept open."""

    def close(self) -> None:
        self._connection.close()

    def _exchange(self, headers: dict[str, str], body: bytes, now: Instant) -> SendResult:
        connection = self._connection
        connection.request("POST", self._path, body, headers)
        response = connection.getresponse()
        try:
            response.read(_MAX_RESPONSE_BYTES)
            complete = response.isclosed()
        except (OSError, http.client.HTTPException):
            complete = False  # the status has arrived, and only that counts
        if not complete:
            connection.close()
        status = response.status
        return SendResult(
            200 <= status < 300,
            f"HTTP {status}",
            status == 410,
            _retry_after_s(response.headers.get("retry-after"), now),
            "\n".join([*connection.trace, f"answered HTTP {status}"]),
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


def webhook_endpoint(settings: WebhookSettings, resolve: Resolver = system_resolver) -> Endpoint:
    """Return the endpoint of a webhook. Raises SettingsError if its secret cannot be read."""
    keys = read_secrets(settings, f"webhook {settings.name}")
    return Endpoint(settings.name, settings, Poster(settings, keys, resolve))


def _tls_context(target: Target) -> ssl.SSLContext | None:
    """Return the target's TLS context, which always checks names; None for http. Raises OSError for a bad ca_file."""
    if urlsplit(target.url).scheme != "https":
        return None
    context = ssl.create_default_context(cafile=target.ca_file)
    context.sslsocket_class = _TlsSocket
    return context
