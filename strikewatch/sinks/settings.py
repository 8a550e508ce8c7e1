"""Settings of the sinks, and the signing secrets that they name.

Nothing here loads a database or broker client, so that reading settings stays fast. The default retry schedule is the
example of the Standard Webhooks specification 1.0.0 ("Deliverability and reliability"): ten attempts in 75 h 35 min.
"""

import base64
import binascii
import os
import random
import re
from pathlib import Path
from typing import Final, Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from strikewatch.errors import SettingsError
from strikewatch.sinks import address
from strikewatch.sinks.filter import Filter

MQTT_ALERTS: Final = "mqtt"
"""What the MQTT endpoint is called in the outbox."""
MAX_WAIT_S: Final = 7 * 86_400.0
"""The longest wait between two attempts, also if a receiver asks for more (seconds)."""
SECRET_PREFIX: Final = "whsec_"
KAFKA_FIXED: Final = frozenset(
    {
        *("acks", "request.required.acks", "enable.idempotence", "enable.gapless.guarantee"),
        *("retries", "message.send.max.retries", "message.timeout.ms", "delivery.timeout.ms"),
        *("max.in.flight", "max.in.flight.requests.per.connection", "partitioner", "transactional.id"),
        *(
            "queue.buffering.max.messages",
            "queue.buffering.max.kbytes",
            "message.max.bytes",
            "delivery.report.only.error",
        ),
        *("bootstrap.servers", "metadata.broker.list", "sasl.username", "sasl.password"),
    }
)
"""Options of librdkafka on which delivery and order rest, or that have a setting of their own."""
MAX_SECRETS: Final = 2
"""How many secrets may be in use at once: the current one, and the previous one during a rotation."""


class Schedule(BaseModel):
    """Waits between the delivery attempts at one endpoint."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    retry_s: tuple[float, ...] = Field(
        default=(5.0, 300.0, 1800.0, 7200.0, 18_000.0, 36_000.0, 50_400.0, 72_000.0, 86_400.0),
        description="Waits between the attempts, s; after the last one the message is parked",
    )
    jitter: float = Field(
        default=0.2,
        ge=0,
        le=1,
        description="Each wait is lengthened by a random part of up to this fraction of it",
    )

    @field_validator("retry_s")
    @classmethod
    def _waits(cls, waits: tuple[float, ...]) -> tuple[float, ...]:
        if not all(0 < wait <= MAX_WAIT_S for wait in waits):
            raise ValueError("every wait must be above 0 and at most a week (604800 seconds)")
        return waits

    def wait_s(self, attempts: int, asked_s: float) -> float | None:
        """Return the wait after this many attempts, s; None: give up. At least the `asked_s` of the receiver."""
        if attempts > len(self.retry_s):
            return None
        wait_s = self.retry_s[attempts - 1] * (1 + random.uniform(0, self.jitter))
        return min(max(wait_s, asked_s), MAX_WAIT_S)


class HttpTarget(BaseModel):
    """A server that is posted to, and how."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    url: str = Field(description="Where to post, https:// (or http://, see allow_http)")
    ca_file: Path | None = Field(
        default=None, description="Certificate authorities to trust in place of the system's"
    )
    allow_private: tuple[str, ...] = Field(
        default=(),
        description="Private networks that may be posted to, such as 10.1.0.0/16",
    )
    allow_http: bool = Field(
        default=False, description="Whether http:// (not encrypted) may be used to public addresses"
    )
    connect_timeout_s: float = Field(
        default=5.0,
        gt=0,
        le=60,
        description="Time limit of each look-up, connection and TLS handshake, s",
    )
    timeout_s: float = Field(default=15.0, gt=0, le=60, description="Time limit of a whole attempt, s")

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        whole = "must be a complete address, like https://alerts.example/strikewatch"
        try:
            parts = urlsplit(url)
            host, _ = parts.hostname, parts.port
        except ValueError as error:
            raise ValueError(f"{whole} ({error})") from None
        if parts.scheme not in ("http", "https") or not host or not re.fullmatch(r"[!-~]+", url):
            raise ValueError(whole)
        if parts.username is not None or parts.password is not None:
            raise ValueError("must not hold a user or password: messages are signed instead")
        return url

    @field_validator("allow_private")
    @classmethod
    def _networks(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        address.parse_networks(texts)
        return texts


class Target(HttpTarget):
    """A receiver of signed posts."""

    secret_file: Path | None = Field(
        default=None,
        description="File that holds the signing secret, whsec_ and 24 to 64 bytes in base64; two lines sign twice",
    )
    secret_env: str | None = Field(
        default=None,
        description="Environment variable that holds the signing secret, in place of a file; two, apart by a space",
    )

    @model_validator(mode="after")
    def _one_secret(self) -> Self:
        if (self.secret_file is None) == (self.secret_env is None):
            raise ValueError("name the signing secret by either secret_file or secret_env")
        return self


class WebhookSettings(Schedule, Target):
    """An endpoint that changes of alerts are posted to."""

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$",
        description="Name of the endpoint; do not change it later",
    )
    filter: Filter = Field(default_factory=Filter, description="Which alerts are sent; empty: all")


class MqttSettings(Schedule):
    """Publishing of alerts to the broker of `mqtt`, as an endpoint named mqtt."""

    publish: bool = Field(default=False, description="Whether alerts are published")
    client_id: str = Field(
        default="strikewatch-alerts",
        pattern=r"^[A-Za-z0-9._\-]{1,64}$",
        description="Client id of this session at the broker; must differ from that of `mqtt`",
    )
    standing: bool = Field(
        default=True,
        description="Whether active alerts are retained at the broker, for lamps that connect later",
    )
    timeout_s: float = Field(default=15.0, gt=0, le=60, description="Time limit of a whole attempt, s")
    filter: Filter = Field(default_factory=Filter, description="Which alerts are sent; empty: all")


class PushSettings(Schedule):
    """Notifications in browsers (Web Push), which people switch on for their device on the page Preferences."""

    enabled: bool = Field(
        default=False, description="Whether people may switch them on; needs strikewatch[push]"
    )
    contact: str | None = Field(
        default=None,
        pattern=r"^(mailto:[^\s@]+@[^\s@]+|https://\S+)$",
        description="Where the push services of browsers can reach you, such as mailto:office@site.example",
    )
    key_file: Path = Field(
        default=Path("strikewatch-push.key"),
        description="File with the key that signs them, created if missing; browsers sign up anew if it is lost",
    )
    allow_private: tuple[str, ...] = Field(
        default=(), description="Private networks with a push service of your own, such as 10.1.0.0/16"
    )
    timeout_s: float = Field(default=15.0, gt=0, le=60, description="Time limit of a whole attempt, s")
    retry_s: tuple[float, ...] = Field(
        default=(5.0, 60.0, 300.0, 1800.0, 7200.0),
        description="Waits between the attempts, s; after the last one the message is parked",
    )

    @field_validator("allow_private")
    @classmethod
    def _networks(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        address.parse_networks(texts)
        return texts


class KafkaSettings(BaseModel):
    """Apache Kafka, to which `strikewatch fleet bridge` hands the messages of the broker of `mqtt`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    servers: str = Field(
        default="localhost:9092",
        min_length=1,
        description="Bootstrap servers, host:port, separated by commas",
    )
    topic: str = Field(
        default="strikewatch",
        pattern=r"^[A-Za-z0-9._\-]{1,249}$",
        description="Topic that messages are written to",
    )
    client_id: str = Field(
        default="strikewatch-bridge",
        pattern=r"^[A-Za-z0-9._\-]{1,64}$",
        description="Client id of the bridge at the MQTT broker; must differ from that of `mqtt`",
    )
    username: str | None = Field(
        default=None,
        description="User name at Kafka; then TLS and SCRAM-SHA-512 unless `options` say otherwise",
    )
    password_file: Path | None = Field(default=None, description="File with the user's password")
    in_flight_limit: int = Field(
        default=10_000,
        ge=1,
        le=50_000,
        description="Largest number of messages that Kafka has not confirmed; the others wait at the MQTT broker",
    )
    max_message_bytes: int = Field(
        default=1_000_000,
        ge=1000,
        le=32 * 1024 * 1024,
        description="Largest payload that the topic takes; a larger one is replaced by a header `refused`",
    )
    options: dict[str, str | int | float | bool] = Field(
        default_factory=dict,
        description="Further options of librdkafka, such as security.protocol or ssl.ca.location",
    )

    @field_validator("options")
    @classmethod
    def _keeps_guarantees(
        cls, options: dict[str, str | int | float | bool]
    ) -> dict[str, str | int | float | bool]:
        if fixed := sorted(KAFKA_FIXED & options.keys()):
            raise ValueError(
                f"{', '.join(fixed)}: cannot be changed, since messages could be lost or change places"
            )
        return options

    @model_validator(mode="after")
    def _user_and_password(self) -> Self:
        if (self.username is None) != (self.password_file is None):
            raise ValueError("username and password_file belong together: give both, or neither")
        return self


class HeartbeatSettings(Target):
    """Where the heartbeat is sent; without these settings, there is none."""

    every_s: float = Field(default=60.0, ge=1, le=3600, description="Time between two heartbeats, s")


class LogSettings(BaseModel):
    """Form, level and destination of the log."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    form: Literal["json", "console"] = Field(
        default="console", description="Form of the lines: json, one object per line, or console, for people"
    )
    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="Lowest level shown: debug, info (includes alerts), warning or error"
    )
    file: Path | None = Field(
        default=None, description="File to append to, reopened after rotation; left out: standard error"
    )


def read_secrets(settings: Target, place: str) -> tuple[bytes, ...]:
    """Read the signing keys, the current one first. Raises SettingsError, which never shows a secret."""
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
    secrets = text.split()
    try:
        if not 1 <= len(secrets) <= MAX_SECRETS:
            raise ValueError(f"holds {len(secrets)} secrets: give one, or two while receivers change over")
        return tuple(decode_secret(secret) for secret in secrets)
    except ValueError as error:
        raise SettingsError([(path, str(error))]) from None


def decode_secret(secret: str) -> bytes:
    """Decode the key in a secret of the form whsec_…. Raises ValueError, which never shows the secret."""
    remedy = f"a signing secret is {SECRET_PREFIX} and then 24 to 64 bytes in base64"
    if not secret.startswith(SECRET_PREFIX):
        raise ValueError(remedy)
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except binascii.Error:
        raise ValueError(remedy) from None
    if not 24 <= len(key) <= 64:
        raise ValueError(f"{remedy}, this one has {len(key)}")
    return key
