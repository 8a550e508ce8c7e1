"""Settings of the MQTT connection: broker, credentials, limits."""

from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator


class TlsSettings(BaseModel):
    """TLS. The broker's certificate must be valid for `host`; this check cannot be switched off."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    ca_file: Path | None = Field(
        None, description="Certificate authorities to trust in place of the system's (PEM file)"
    )
    cert_file: Path | None = Field(
        None, description="Client certificate, for a broker that requires one (PEM file)"
    )
    key_file: Path | None = Field(None, description="The key of that certificate (PEM file)")

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together: give both, or neither")
        return self


class Settings(BaseModel):
    """The MQTT connection of the live processor. The session is always persistent."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    host: str = Field("localhost", min_length=1, description="Name or address of the broker")
    port: int = Field(1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    version: Literal["3.1.1", "5"] = Field("5", description="Version of MQTT to speak, 3.1.1 or 5")
    client_id: str | None = Field(
        None,
        pattern=r"^[A-Za-z0-9._\-]{1,64}$",
        description="Client id, the name of the session at the broker; left out: made at random and kept in the "
        "database",
    )
    prefix: str = Field(
        "strikewatch",
        pattern=r"^[A-Za-z0-9._\-]+(/[A-Za-z0-9._\-]+)*$",
        max_length=128,
        description="First part of all topics, before /{site}/{hammer}/",
    )
    username: str | None = Field(None, description="User name at the broker")
    password_file: Path | None = Field(
        None, description="File with the user's password, read at each connect"
    )
    tls: TlsSettings | None = Field(
        None, description="TLS to the broker; without this table the connection is not encrypted"
    )
    keepalive_s: int = Field(
        30, ge=1, le=3600, description="MQTT keepalive: silence after which the connection is checked, s"
    )
    session_expiry_s: int = Field(
        7 * 86_400,
        ge=60,
        le=2**32 - 2,
        description="How long the broker keeps messages while the processor is offline, s (MQTT 5 only)",
    )
    inflight_limit: int = Field(
        50_000,
        ge=1,
        le=65_535,
        description="Receive maximum: largest number of unacknowledged messages (MQTT 5 only)",
    )
    queue_limit: int = Field(
        50_000,
        ge=1,
        description="Largest number of messages that wait to be processed; the broker keeps the rest",
    )
    queue_limit_mib: int = Field(
        16,
        ge=1,
        description="Largest amount of payload that waits or is being processed, MiB; the broker keeps the rest",
    )
    connect_timeout_s: float = Field(
        10.0, gt=0, description="How long to wait for the broker to answer a connection attempt, s"
    )
    reconnect_min_s: float = Field(
        1.0, gt=0, description="Wait before the first reconnection attempt, s; doubled after each failure"
    )
    reconnect_max_s: float = Field(60.0, gt=0, description="Longest wait between reconnection attempts, s")
    takeover_limit: int = Field(
        3,
        ge=2,
        description="Consecutive session takeovers by another client that raise `client_id_in_use` (count)",
    )
    takeover_window_s: float = Field(
        30.0, gt=0, description="A session that lasted longer than this resets the count of takeovers, s"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is given but no username: give both")
        if self.reconnect_max_s < self.reconnect_min_s:
            raise ValueError("reconnect_max_s must not be less than reconnect_min_s")
        return self

    @property
    def dead_after_s(self) -> float:
        """Silence after which the connection counts as dead, s; pings are sent every half keepalive."""
        return 1.5 * self.keepalive_s

    def with_client_id(self, kept: str) -> Self:
        """Return these settings with the client id that the database keeps, unless they give one."""
        return self if self.client_id is not None else self.model_copy(update={"client_id": kept})

    def reconnect_delay_s(self, failures: int) -> float:
        """Return how long to wait after `failures` consecutive failed attempts, s."""
        return float(min(self.reconnect_max_s, self.reconnect_min_s * 2.0 ** min(max(failures - 1, 0), 30)))
