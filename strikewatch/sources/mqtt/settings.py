"""Where the broker is, as whom we come, and how much we take in before it is worked through."""

from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator


class TlsSettings(BaseModel):
    """TLS. The broker's certificate must be valid for `host`; there is no switch against that."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ca_file: Path | None = Field(
        None, description="Certificate authorities to trust in place of the system's (PEM file)"
    )
    cert_file: Path | None = Field(
        None, description="Our own certificate, for a broker that asks for one (PEM file)"
    )
    key_file: Path | None = Field(None, description="The key of that certificate (PEM file)")

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together: give both, or neither")
        return self


class Settings(BaseModel):
    """The MQTT side of the live processor. Quality of service is always 1, and the session is always kept."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    host: str = Field("localhost", min_length=1, description="Name or address of the broker")
    port: int = Field(1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    version: Literal["3.1.1", "5"] = Field("5", description="Version of MQTT to speak, 3.1.1 or 5")
    client_id: str = Field(
        "strikewatch",
        pattern=r"^[A-Za-z0-9._\-]{1,64}$",
        description="Name of our session at the broker; no second instance may use it",
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
        None, description="TLS to the broker; without this table the line is open"
    )
    keepalive_s: int = Field(30, ge=1, le=3600, description="Silence after which the line is checked, s")
    session_expiry_s: int = Field(
        7 * 86_400,
        ge=60,
        le=2**32 - 2,
        description="How long the broker keeps messages for us while we are away, s (MQTT 5 only)",
    )
    inflight_limit: int = Field(
        50_000,
        ge=1,
        le=65_535,
        description="Messages under way without acknowledgement at most (MQTT 5 only)",
    )
    queue_limit: int = Field(
        50_000, ge=1, description="Messages waiting for a step at most; the broker keeps the rest"
    )
    queue_limit_mib: int = Field(64, ge=1, description="Payload waiting for a step at most, MiB; likewise")
    connect_timeout_s: float = Field(
        10.0, gt=0, description="How long to wait for the broker's answer to a connect, s"
    )
    reconnect_min_s: float = Field(
        1.0, gt=0, description="Wait before the first new attempt to connect, s; doubles while it fails"
    )
    reconnect_max_s: float = Field(60.0, gt=0, description="Longest wait between attempts, s")
    takeover_limit: int = Field(
        5, ge=2, description="Takeovers in a row by another instance before the processor gives up (count)"
    )
    takeover_window_s: float = Field(
        30.0, gt=0, description="A session that held for longer ends the row of takeovers, s"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is given but no username: give both")
        if self.reconnect_max_s < self.reconnect_min_s:
            raise ValueError("reconnect_max_s must not be less than reconnect_min_s")
        return self

    def reconnect_delay_s(self, failures: int) -> float:
        """s to wait after `failures` attempts in a row that did not get in."""
        return float(min(self.reconnect_max_s, self.reconnect_min_s * 2.0 ** min(max(failures - 1, 0), 30)))
