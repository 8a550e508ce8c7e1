"""Deliver by a signed POST, over a connection to an allowed address of the host that is kept open.

No proxy, no redirect, no second look-up, and a deadline for each exchange. The certificate must be valid for the host
name, or its literal address.
"""

import http.client
import time
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC
from email.utils import parsedate_to_datetime

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks import webhook
from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.endpoint import Endpoint, SendResult
from strikewatch.sinks.http_connection import HttpConnection
from strikewatch.sinks.settings import MAX_WAIT_S, Target, WebhookSettings, read_secrets
from strikewatch.storage.outbox.messages import Message


class Poster:
    """Posts to one target: no redirects, no proxies, only to checked addresses, in `timeout_s` altogether."""

    def __init__(self, target: Target, keys: Sequence[bytes], resolve: Resolver = system_resolver) -> None:
        self._keys = keys
        self._timeout_s = target.timeout_s
        self._connection = HttpConnection(target, resolve)

    def send(self, message: Message, now: Instant) -> SendResult:
        """Post a message of the outbox, once."""
        return self.post(message.name, webhook.envelope(message), now)

    def post(self, name: str, body: bytes, now: Instant) -> SendResult:
        """Post once, at wall time `now`; a kept connection that the other side has closed is opened again."""
        headers = webhook.headers(self._keys, name, now // SECOND, body)
        self._connection.set_deadline(time.monotonic() + self._timeout_s)
        return exchange(self._connection, headers, body, now)

    def idle(self) -> None:
        """Do nothing: the connection is kept open."""

    def close(self) -> None:
        self._connection.close()


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


def webhook_endpoint(settings: WebhookSettings, resolve: Resolver = system_resolver) -> Endpoint:
    """Return the endpoint of a webhook. Raises SettingsError if its secret cannot be read."""
    keys = read_secrets(settings, f"webhook {settings.name}")
    return Endpoint(settings.name, settings, Poster(settings, keys, resolve))
