"""One attempt to deliver to a target: a signed POST over a connection that is kept open."""

import http.client
import time
from collections.abc import Sequence
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Final
from urllib.parse import urlsplit

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks import webhook
from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.connection import HttpConnection, tls_context
from strikewatch.sinks.retry_schedule import MAX_WAIT_S
from strikewatch.sinks.sender import SendResult
from strikewatch.sinks.target import Target
from strikewatch.storage.outbox.messages import Message

_MAX_RESPONSE_BYTES: Final = 65_536
"""How much of a response is read to keep the connection; after a longer response it is closed."""


class Poster:
    """Posts to one target: no redirects, no proxies, only to checked addresses, in `timeout_s` altogether."""

    def __init__(self, target: Target, keys: Sequence[bytes], resolve: Resolver = system_resolver) -> None:
        self._keys = keys
        self._timeout_s = target.timeout_s
        parts = urlsplit(target.url)
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self._connection = HttpConnection(target, tls_context(target), resolve)

    def send(self, message: Message, now: Instant) -> SendResult:
        """Post a message of the outbox, once."""
        return self.post(message.name, webhook.envelope(message), now)

    def post(self, name: str, body: bytes, now: Instant) -> SendResult:
        """Post once, at wall time `now`; a kept connection that the other side has closed is opened again."""
        headers = webhook.headers(self._keys, name, now // SECOND, body)
        line = self._connection
        line.set_deadline(time.monotonic() + self._timeout_s)
        try:
            if line.sock is not None:
                line.trace = ["over the connection kept open"]
                try:
                    return self._exchange(headers, body, now)
                except (ConnectionError, http.client.HTTPException):
                    line.close()
            return self._exchange(headers, body, now)
        except (OSError, http.client.HTTPException) as error:
            line.close()
            return SendResult(False, _summary(error), trace="\n".join(line.trace))

    def idle(self) -> None:
        """Do nothing: the connection is kept open."""

    def close(self) -> None:
        self._connection.close()

    def _exchange(self, headers: dict[str, str], body: bytes, now: Instant) -> SendResult:
        line = self._connection
        line.request("POST", self._path, body, headers)
        response = line.getresponse()
        try:
            response.read(_MAX_RESPONSE_BYTES)
            whole = response.isclosed()
        except (OSError, http.client.HTTPException):
            whole = False  # the status has arrived, and only that counts
        if not whole:
            line.close()
        status = response.status
        return SendResult(
            200 <= status < 300,
            f"HTTP {status}",
            status == 410,
            _retry_after_s(response.headers.get("retry-after"), now),
            "\n".join([*line.trace, f"answered HTTP {status}"]),
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
