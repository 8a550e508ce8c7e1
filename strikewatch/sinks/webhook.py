"""Webhooks: CloudEvents 1.0 envelopes, signed per the open Standard Webhooks specification, delivered by POST.

CloudEvents 1.0.2, JSON event format, structured mode: https://github.com/cloudevents/spec
Standard Webhooks 1.0.0: https://github.com/standard-webhooks/standard-webhooks

A POST goes over a connection to an allowed address of the host that is kept open: no proxy, no redirect, no second
look-up, and a deadline for each exchange. The certificate must be valid for the host name, or its literal address.
"""

import base64
import hashlib
import hmac
import json
import re
import time
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.http_connection import HttpConnection, exchange
from strikewatch.sinks.settings import Target, WebhookSettings, read_secrets
from strikewatch.storage.outbox.messages import TEST, Message

CONTENT_TYPE: Final = "application/cloudevents+json; charset=UTF-8"
TOLERANCE_S: Final = 300
"""How far a message's timestamp may be from the receiver's clock, against replayed messages (seconds)."""


def envelope(message: Message) -> bytes:
    """Return the CloudEvents event with an alert's record, or a digest of several, in UTF-8.

    Its `time` is when the step was found; when the fault began and ended is in the record.
    """
    record: dict[str, Any] = json.loads(message.body)
    event = {
        "specversion": "1.0",
        "id": message.name,
        # a flood belongs to a site, everything else to a hammer
        "source": "/".join(
            ["/strikewatch", *(quote(record[k], safe="") for k in ("site", "hammer") if record[k])]
        ),
        "type": f"strikewatch.{TEST}" if message.step == TEST else f"strikewatch.alert.{message.step}",
        "subject": record["id"],
        "time": instant.text(message.created),
        "datacontenttype": "application/json",
    }
    head = json.dumps(event, ensure_ascii=False, separators=(",", ":"))
    return f'{head[:-1]},"data":{message.body}}}'.encode()


def sign(key: bytes, name: str, at_s: int, body: bytes) -> str:
    """Return the `webhook-signature` of a body sent under `name` at the Unix time `at_s` (seconds)."""
    signed = hmac.digest(key, f"{name}.{at_s}.".encode() + body, hashlib.sha256)
    return f"v1,{base64.b64encode(signed).decode()}"


def headers(keys: Sequence[bytes], name: str, at_s: int, body: bytes) -> dict[str, str]:
    """Return the headers of one attempt, signed with each key.

    `name` is the same for all retries, so that receivers can drop repetitions.
    """
    return {
        "content-type": CONTENT_TYPE,
        "webhook-id": name,
        "webhook-timestamp": str(at_s),
        "webhook-signature": " ".join(sign(key, name, at_s, body) for key in keys),
    }


def verify(key: bytes, received: Mapping[str, str], body: bytes, now_s: float) -> dict[str, Any]:
    """Verify signature and timestamp, for receivers; return the event in the body. Raises Rejected.

    `received`: values by header name in lower case.
    """
    name = received.get("webhook-id", "")
    stamp = received.get("webhook-timestamp", "")
    if not name or not re.fullmatch(r"\d{1,12}", stamp, re.ASCII):
        raise Rejected("unsigned", "webhook-id or webhook-timestamp is missing or malformed")
    if abs(now_s - int(stamp)) > TOLERANCE_S:
        raise Rejected("stale", f"webhook-timestamp is more than {TOLERANCE_S} s from the clock here")
    expected = sign(key, name, int(stamp), body).encode()
    given = received.get("webhook-signature", "").split(" ")
    if not any(hmac.compare_digest(expected, signature.encode()) for signature in given):
        raise Rejected("bad_signature", "webhook-signature does not match")
    event: dict[str, Any] = json.loads(body)
    return event


class Poster:
    """Posts to one target: no redirects, no proxies, only to checked addresses, in `timeout_s` altogether."""

    def __init__(self, target: Target, keys: Sequence[bytes], resolve: Resolver = system_resolver) -> None:
        self._keys = keys
        self._timeout_s = target.timeout_s
        self._connection = HttpConnection(target, resolve)

    def send(self, message: Message, now: Instant) -> SendResult:
        """Post a message of the outbox, once."""
        return self.post(message.name, envelope(message), now)

    def post(self, name: str, body: bytes, now: Instant) -> SendResult:
        """Post once, at wall time `now`; a kept connection that the other side has closed is opened again."""
        signed = headers(self._keys, name, now // SECOND, body)
        self._connection.set_deadline(time.monotonic() + self._timeout_s)
        return exchange(self._connection, signed, body, now)

    def idle(self) -> None:
        """Do nothing: the connection is kept open."""

    def close(self) -> None:
        self._connection.close()


def webhook_endpoint(settings: WebhookSettings, resolve: Resolver = system_resolver) -> Endpoint:
    """Return the endpoint of a webhook. Raises SettingsError if its secret cannot be read."""
    keys = read_secrets(settings, f"webhook {settings.name}")
    return Endpoint(settings.name, settings, Poster(settings, keys, resolve))
