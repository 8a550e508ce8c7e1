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


class HeartbeatSettings(Target):
    """Where the heartbeat is sent; without these settings, there is none."""

    every_s: float = Field(default=60.0, ge=1, le=3600, description="Time between two heartbeats, s")


class LogSettings(BaseModel):
    """Form, level and destination of the log."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    form: Literal["json", "console"] = Field(
        default="console", description="Form of the lines: json, one object per line, or console, for people"
    )
    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="Lowest level shown: debug, info (includes alerts), warning or error"
    )
    file: Path | None = Field(
        default=None, description="File to append to, reopened after rotation; left out: standard error"
    )
