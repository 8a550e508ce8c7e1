"""The tree of settings; each branch is defined in the package that uses it.

Read from a TOML file and overridden by environment variables `STRIKEWATCH_…` (nested with `__`). All mistakes are
reported at once, each with its place: the variable, or the file and the path in it. Unknown names are mistakes too.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from strikewatch.core.batch import Key
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import SettingsError
from strikewatch.review.statistics.verdicts import Settings as Judgement
from strikewatch.settings.environment import environment_tables, mistakes, overlay, with_present_names
from strikewatch.settings.faults import Faults
from strikewatch.settings.problems import Origin, dotted, message, overlaid, secret_variables
from strikewatch.sinks.settings import MQTT_ALERTS
from strikewatch.sinks.settings import HeartbeatSettings as Heartbeat
from strikewatch.sinks.settings import KafkaSettings as Kafka
from strikewatch.sinks.settings import LogSettings as Log
from strikewatch.sinks.settings import MqttSettings as MqttAlerts
from strikewatch.sinks.settings import PushSettings as Push
from strikewatch.sinks.settings import WebhookSettings as Webhook
from strikewatch.sinks.sites import Sites
from strikewatch.sources.mqtt.settings import Settings as Mqtt
from strikewatch.storage.settings import RecorderSettings as Recording
from strikewatch.storage.settings import Settings as Store
from strikewatch.web.settings import Settings as Http

if TYPE_CHECKING:
    from strikewatch.engine.pipeline import HammerSettings

_CLOSED = ConfigDict(defer_build=True, frozen=True, extra="forbid", allow_inf_nan=False)


class Intake(BaseModel):
    """How arrivals become rows in event time."""

    model_config = _CLOSED

    reorder_s: float = Field(
        2.0,
        ge=0,
        le=60,
        description="Allowed lateness: how long a row after a gap waits for out-of-order rows, s",
    )
    max_ahead_s: float = Field(
        300.0,
        ge=0,
        description="How far times may be ahead of this machine's clock, s; later ones are refused",
    )
    grace_s: float = Field(
        5.0, gt=0, description="Silence of a hammer after which its time is advanced without rows, s"
    )
    historic_after_s: float = Field(
        120.0, gt=0, description="Delay from onset to finding from which an alert is historic, s"
    )
    max_keys: int = Field(
        256, ge=64, le=4096, description="Largest number of keys in one object of a message; more are refused"
    )
    max_pending_events: int = Field(
        10_000,
        ge=100,
        le=1_000_000,
        description="Largest number of events of a hammer that wait for its samples; more are refused",
    )
    max_hammers: int = Field(
        500,
        ge=1,
        description="Largest number of hammers that neither `hammers` nor, by site, `sites.zones` lists; "
        "further ones are refused",
    )
    max_hammers_per_site: int = Field(
        200,
        ge=1,
        description="Largest number of hammers at one site, listed or not; those that `hammers` lists do not count",
    )
    max_sites: int = Field(
        100,
        ge=1,
        description="Largest number of sites that `sites.zones` does not list; data of further new ones is refused",
    )


class Review(BaseModel):
    """The trainer's review."""

    model_config = _CLOSED

    judgement: Judgement = Field(default_factory=Judgement)


class Settings(BaseModel):
    """All settings of the processor."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    mqtt: Mqtt = Field(default_factory=Mqtt)
    intake: Intake = Field(default_factory=Intake)
    faults: Faults = Field(default_factory=Faults)
    hammers: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="Hammer → what differs from `faults` for it, in the same tables"
    )
    hammers_file: Path | None = Field(
        None, description="A file of tables, one a hammer, of what differs from `faults` for it"
    )
    sources_file: Path | None = Field(
        None,
        description="A file of tables, one a source, of how the topics and payloads of gateways are mapped",
    )
    alive_file: Path | None = Field(
        None, description="A file touched every second while all is well, for health checks; left out: none"
    )
    alarms: Alarms = Field(default_factory=Alarms)
    store: Store = Field(default_factory=Store)
    recording: Recording = Field(default_factory=Recording)
    log: Log = Field(default_factory=Log)
    http: Http = Field(default_factory=Http)
    sites: Sites = Field(default_factory=Sites)
    review: Review = Field(default_factory=Review)
    mqtt_alerts: MqttAlerts = Field(default_factory=MqttAlerts)
    heartbeat: Heartbeat | None = Field(
        None, description="A signed post every so often while all is well; left out: none"
    )
    push: Push = Field(default_factory=Push)
    kafka: Kafka = Field(default_factory=Kafka)
    webhooks: tuple[Webhook, ...] = Field((), description="Endpoints that alerts are sent to")

    @field_validator("webhooks")
    @classmethod
    def _unique_names(cls, webhooks: tuple[Webhook, ...]) -> tuple[Webhook, ...]:
        names = [MQTT_ALERTS, *(webhook.name for webhook in webhooks)]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"{', '.join(twice)}: give each endpoint a name of its own")
        return webhooks

    def of_hammer(self, key: Key) -> "HammerSettings":
        """Return the detectors' settings for one hammer: the common ones, changed by the hammer's own table."""
        own = self.hammers.get(key[1])
        return overlaid(self.faults, own).by_detector() if own else self.faults.by_detector()


def load(path: Path | None = None, given: Mapping[str, Any] | None = None) -> Settings:
    """Load settings from a file, or from the mapping `given`, and from the environment.

    Raises SettingsError with every problem.
    """
    origin = Origin(Settings, path)
    tables = with_present_names(origin.read(path) if path is not None else given or {})
    origin.add_hammers_file(tables)
    origin.check_sources_file(tables)
    settings, faults = None, Faults()
    try:
        settings = Settings.model_validate(overlay(tables, environment_tables(Settings)))
        faults = settings.faults
    except ValidationError as error:
        origin.add(error)
    if path is not None:
        origin.add_wrong_types(tables)
    origin.check_hammers(tables, faults, whole=settings is not None)
    problems = [*origin.problems.items(), *mistakes(Settings, secret_variables(tables))]
    if problems or settings is None:
        raise SettingsError(problems)
    return settings


def with_faults(settings: Settings, changes: Mapping[str, Any]) -> Settings:
    """Return settings with some fault settings changed, by dotted names such as `faults.same_spot.limit_s`.

    Hammers keep the settings of their own tables. Raises SettingsError with every mistake.
    """
    tables: dict[str, Any] = settings.faults.model_dump()
    problems: list[tuple[str, str]] = []
    for name, value in changes.items():
        loc = tuple(name.split("."))
        if len(loc) != 3 or loc[0] != "faults" or loc[1] not in tables:
            where = f"faults.DETECTOR.SETTING; detectors: {', '.join(tables)}"
            problems.append((name, f"cannot be changed: name it as {where}"))
        else:
            tables[loc[1]] = {**tables[loc[1]], loc[2]: value}
    try:
        changed = Faults.model_validate(tables, strict=True)
    except ValidationError as error:
        for problem in error.errors():
            at = ("faults", *problem["loc"])
            problems.append((dotted(at), message(problem, at, Settings)))
    if problems:
        raise SettingsError(problems)
    return settings.model_copy(update={"faults": changed})
