"""The webhook's message: a CloudEvents 1.0 envelope, signed per the open Standard Webhooks specification.

CloudEvents 1.0.2, JSON event format, structured mode: https://github.com/cloudevents/spec
Standard Webhooks 1.0.0: https://github.com/standard-webhooks/standard-webhooks
"""

import base64
import binascii
import hashlib
import hmac
import json
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, Self
from urllib.parse import quote, urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from strikewatch.errors import Rejected, SettingsError
from strikewatch.model import instant
from strikewatch.store.outbox import Message

CONTENT_TYPE: Final = "application/cloudevents+json; charset=UTF-8"
PREFIX: Final = "whsec_"
LONGEST_S: Final = 7 * 86_400.0
"""The longest wait between two attempts, whoever asks for it (seconds)."""
TOLERANCE_S: Final = 300
"""How far a message's time stamp may lie from the receiver's clock, against replays (seconds)."""


class Settings(BaseModel):
    """One endpoint that every change of an alert is posted to."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$", description="What the endpoint is called here, for good"
    )
    url: str = Field(description="Where to post, http:// or https://")
    secret_file: Path | None = Field(
        default=None, description="File that holds the signing secret, whsec_ and 24 to 64 bytes in base64"
    )
    secret_env: str | None = Field(
        default=None, description="Environment variable that holds the signing secret, in place of a file"
    )
    ca_file: Path | None = Field(
        default=None, description="Certificate authorities to trust in place of the system's"
    )
    timeout_s: float = Field(default=5.0, gt=0, le=60, description="How long an answer may take, s")
    retry_s: tuple[float, ...] = Field(
        default=(5.0, 30.0, 120.0, 600.0, 1800.0, 7200.0, 21_600.0, 43_200.0, 86_400.0, 86_400.0, 86_400.0),
        description="Waits between the attempts, s; after the last one the message is parked",
    )
    jitter: float = Field(
        default=0.2,
        ge=0,
        le=1,
        description="Each wait is lengthened by a random part of up to so much (fraction of it)",
    )

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError("must be a whole address, like https://alerts.example/strikewatch")
        if parts.username is not None or parts.password is not None:
            raise ValueError("must not hold a user or password: messages are signed instead")
        return url

    @field_validator("retry_s")
    @classmethod
    def _waits(cls, waits: tuple[float, ...]) -> tuple[float, ...]:
        if not all(0 < wait <= LONGEST_S for wait in waits):
            raise ValueError("every wait must be above 0 and at most a week (604800 seconds)")
        return waits

    @model_validator(mode="after")
    def _one_secret(self) -> Self:
        if (self.secret_file is None) == (self.secret_env is None):
            raise ValueError("name the signing secret by either secret_file or secret_env")
        return self


def read_secret(settings: Settings) -> bytes:
    """The key that the settings name. Raises SettingsError, which never shows the secret."""
    place = f"webhook {settings.name}"
    if settings.secret_file is not None:
        path = f"{place} secret_file"
        try:
            text = settings.secret_file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError([(path, f"cannot read {settings.secret_file}: {error}")]) from None
    else:
        path = f"{place} secret_env"
        text = os.environ.get(settings.secret_env or "", "")
        if not text:
            raise SettingsError([(path, f"the environment variable {settings.secret_env} is not set")])
    try:
        return key_of(text.strip())
    except ValueError as error:
        raise SettingsError([(path, str(error))]) from None


def key_of(secret: str) -> bytes:
    """The key in a secret of the form whsec_…; ValueError, without the secret, if it is not one."""
    remedy = f"a signing secret is {PREFIX} and then 24 to 64 bytes in base64"
    if not secret.startswith(PREFIX):
        raise ValueError(remedy)
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error:
        raise ValueError(remedy) from None
    if not 24 <= len(key) <= 64:
        raise ValueError(f"{remedy}, this one has {len(key)}")
    return key


def envelope(message: Message) -> bytes:
    """The CloudEvents event that carries an alert's record, in UTF-8.

    `time` is when the step was found, for every step alike; when the fault began and ended is in the record.
    """
    record: dict[str, Any] = json.loads(message.body)
    event = {
        "specversion": "1.0",
        "id": message.name,
        "source": f"/strikewatch/{quote(record['site'], safe='')}/{quote(record['hammer'], safe='')}",
        "type": f"strikewatch.alert.{message.step}",
        "subject": record["id"],
        "time": instant.text(message.created),
        "datacontenttype": "application/json",
        "data": record,
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()


def sign(key: bytes, name: str, at_s: int, body: bytes) -> str:
    """The `webhook-signature` of a body sent under `name` at the Unix time `at_s` (seconds)."""
    signed = hmac.digest(key, f"{name}.{at_s}.".encode() + body, hashlib.sha256)
    return f"v1,{base64.b64encode(signed).decode()}"


def headers(key: bytes, name: str, at_s: int, body: bytes) -> dict[str, str]:
    """All headers of one attempt; `name` stays the same over retries so that receivers can drop repeats."""
    return {
        "content-type": CONTENT_TYPE,
        "webhook-id": name,
        "webhook-timestamp": str(at_s),
        "webhook-signature": sign(key, name, at_s, body),
    }


def verify(key: bytes, received: Mapping[str, str], body: bytes, now_s: float) -> dict[str, Any]:
    """For receivers: the event in a body whose signature and time hold good; Rejected otherwise.

    `received` maps header names in lower case to values.
    """
    name = received.get("webhook-id", "")
    stamp = received.get("webhook-timestamp", "")
    if not name or not re.fullmatch(r"\d{1,12}", stamp, re.ASCII):
        raise Rejected("unsigned", "webhook-id or webhook-timestamp is missing or malformed")
    if abs(now_s - int(stamp)) > TOLERANCE_S:
        raise Rejected("stale", f"webhook-timestamp is more than {TOLERANCE_S} s from the clock here")
    expected = sign(key, name, int(stamp), body).encode()
    given = received.get("webhook-signature", "").split(" ")
    if not any(hmac.compare_digest(expected, one.encode()) for one in given):
        raise Rejected("bad_signature", "webhook-signature does not match")
    event: dict[str, Any] = json.loads(body)
    return event
