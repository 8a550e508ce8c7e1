"""Webhook messages: a CloudEvents 1.0 envelope, signed per the open Standard Webhooks specification.

CloudEvents 1.0.2, JSON event format, structured mode: https://github.com/cloudevents/spec
Standard Webhooks 1.0.0: https://github.com/standard-webhooks/standard-webhooks
"""

import base64
import hashlib
import hmac
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

from strikewatch.core import instant
from strikewatch.errors import Rejected
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
