"""One attempt at one target: a signed POST over a connection that is kept open."""

import http.client
import time
from collections.abc import Sequence
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Final
from urllib.parse import urlsplit

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks import webhook
from strikewatch.sinks.address import Resolver, look_up
from strikewatch.sinks.connection import Line, context_of
from strikewatch.sinks.retry_schedule import LONGEST_S
from strikewatch.sinks.sender import Answer
from strikewatch.sinks.target import Target
from strikewatch.storage.outbox.messages import Message

_ANSWER_BYTES: Final = 65_536
"""So much of an answer is read to keep the connection in use; one that says more is hung up on."""


class Poster:
    """Posts to one target: no redirects, no proxies, only to checked addresses, in `timeout_s` altogether."""

    def __init__(self, target: Target, keys: Sequence[bytes], resolve: Resolver = look_up) -> None:
        self._keys = keys
        self._timeout_s = target.timeout_s
        parts = urlsplit(target.url)
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self._line = Line(target, context_of(target), resolve)

    def send(self, message: Message, now: Instant) -> Answer:
        """Post a message of the outbox."""
        return self.post(message.name, webhook.envelope(message), now)

    def post(self, name: str, body: bytes, now: Instant) -> Answer:
        """Try once, at wall time `now`; a kept connection that the other side has closed does not count."""
        headers = webhook.headers(self._keys, name, now // SECOND, body)
        line = self._line
        line.due(time.monotonic() + self._timeout_s)
        try:
            if line.sock is not None:
                line.story = ["over the connection kept open"]
                try:
                    return self._once(headers, body, now)
                except (ConnectionError, http.client.HTTPException):
                    line.close()
            return self._once(headers, body, now)
        except (OSError, http.client.HTTPException) as error:
            line.close()
            return Answer(False, _words(error), story="\n".join(line.story))

    def rest(self) -> None:
        """Nothing more for now: the connection is kept."""

    def close(self) -> None:
        self._line.close()

    def _once(self, headers: dict[str, str], body: bytes, now: Instant) -> Answer:
        line = self._line
        line.request("POST", self._path, body, headers)
        response = line.getresponse()
        try:
            response.read(_ANSWER_BYTES)
            whole = response.isclosed()
        except (OSError, http.client.HTTPException):
            whole = False  # the status has come, and that is what counts
        if not whole:
            line.close()
        status = response.status
        return Answer(
            200 <= status < 300,
            f"HTTP {status}",
            status == 410,
            _retry_after_s(response.headers.get("retry-after"), now),
            "\n".join([*line.story, f"answered HTTP {status}"]),
        )


def _retry_after_s(value: str | None, now: Instant) -> float:
    """The wait that Retry-After asks for (RFC 9110, section 10.2.3: seconds or a date); 0 without one."""
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
    return min(max(wait_s, 0.0), LONGEST_S)


def _words(error: Exception) -> str:
    """What went wrong, in short."""
    kind = "Timeout" if isinstance(error, TimeoutError) else type(error).__name__
    return f"{kind}: {error}"[:200]
