"""One attempt at one endpoint: a signed POST over a connection that is kept open."""

from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Final

import urllib3
from urllib3.exceptions import HTTPError, ProtocolError

from strikewatch.deliver import webhook
from strikewatch.model.instant import SECOND, Instant
from strikewatch.store.outbox import Message

_ANSWER_BYTES: Final = 65_536
"""So much of an answer is read to keep the connection in use; one that says more is hung up on."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of an attempt: `status` is None where no answer came, `retry_after_s` as it asks."""

    status: int | None
    words: str
    retry_after_s: float = 0.0

    @property
    def taken(self) -> bool:
        return self.status is not None and 200 <= self.status < 300

    @property
    def gone(self) -> bool:
        return self.status == 410


class Poster:
    """Posts to one endpoint: no redirects, no proxies, `settings.timeout_s` to connect and to answer."""

    def __init__(self, settings: webhook.Settings, key: bytes) -> None:
        self._key = key
        parts = urllib3.util.parse_url(settings.url)
        self._target = parts.request_uri
        trust = {"ca_certs": str(settings.ca_file)} if settings.ca_file and parts.scheme == "https" else {}
        self._pool = urllib3.connectionpool.connection_from_url(
            settings.url,
            maxsize=1,
            timeout=urllib3.Timeout(total=settings.timeout_s),
            retries=False,
            **trust,
        )

    def post(self, message: Message, now: Instant) -> Answer:
        """Try once, at wall time `now`; a kept connection that the other side has closed does not count."""
        body = webhook.envelope(message)
        headers = webhook.headers(self._key, message.name, now // SECOND, body)
        try:
            try:
                return self._once(headers, body, now)
            except ProtocolError:
                return self._once(headers, body, now)
        except (HTTPError, OSError) as error:
            return Answer(None, _words(error))

    def close(self) -> None:
        self._pool.close()

    def _once(self, headers: dict[str, str], body: bytes, now: Instant) -> Answer:
        response = self._pool.urlopen(
            "POST", self._target, body=body, headers=headers, redirect=False, preload_content=False
        )
        try:
            response.read(_ANSWER_BYTES, decode_content=False)  # to its end, it frees the connection for more
        except HTTPError:
            pass  # the status has come, and that is what counts
        finally:
            response.close()
        after_s = _retry_after_s(response.headers.get("retry-after"), now)
        return Answer(response.status, f"HTTP {response.status}", after_s)


def _retry_after_s(value: str | None, now: Instant) -> float:
    """The wait that Retry-After asks for (RFC 9110, section 10.2.3: seconds or a date); 0 without one."""
    if value is None:
        return 0.0
    if value.strip().isdecimal():
        wait_s = float(value)
    else:
        try:
            wait_s = parsedate_to_datetime(value).timestamp() - now / SECOND
        except ValueError:
            return 0.0
    return min(max(wait_s, 0.0), webhook.LONGEST_S)


def _words(error: Exception) -> str:
    """What went wrong, in short, without addresses of objects."""
    reason = getattr(error, "reason", None)
    cause = reason if isinstance(reason, Exception) else error
    text = str(cause).split(": ", 1)[-1] if isinstance(cause, HTTPError) else str(cause)
    return f"{type(cause).__name__}: {text}"[:200]
