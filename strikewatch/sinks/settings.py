"""Settings of the sinks: models only, so that reading settings loads no database or broker client."""

from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from strikewatch.sinks.filter import Filter
from strikewatch.sinks.retry_schedule import Schedule
from strikewatch.sinks.target import Target

MQTT_ALERTS: Final = "mqtt"
"""What the MQTT endpoint is called in the outbox."""


class WebhookSettings(Schedule, Target):
    """One endpoint that changes of alerts are posted to."""

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$", description="What the endpoint is called here, for good"
    )
    filter: Filter = Field(default_factory=Filter, description="Which alerts; all, if nothing is said")


class MqttSettings(Schedule):
    """Alerts published to the broker of `mqtt`, as an endpoint called mqtt."""

    publish: bool = Field(default=False, description="Whether alerts are published at all")
    client_id: str = Field(
        default="strikewatch-alerts",
        pattern=r"^[A-Za-z0-9._\-]{1,64}$",
        description="Name of this session at the broker; another than that of `mqtt`",
    )
    standing: bool = Field(
        default=True, description="Whether what stands is kept at the broker, for lamps that connect late"
    )
    timeout_s: float = Field(default=15.0, gt=0, le=60, description="How long an attempt may take in all, s")
    filter: Filter = Field(default_factory=Filter, description="Which alerts; all, if nothing is said")


class HeartbeatSettings(Target):
    """Where the heartbeat goes. Left out: nowhere."""

    every_s: float = Field(default=60.0, ge=1, le=3600, description="Time between two beats, s")


class LogSettings(BaseModel):
    """What the log looks like and where it goes."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    form: Literal["json", "console"] = Field(
        default="console", description="What lines look like: json, one object a line, or console, for people"
    )
    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="The least level shown: debug, info (alerts are), warning or error"
    )
    file: Path | None = Field(
        default=None, description="File to append to, reopened when rotated away; left out: standard error"
    )
