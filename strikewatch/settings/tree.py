"""The tree of settings; each branch is defined in the package that uses it.

Read from a TOML file and overridden by environment variables `STRIKEWATCH_…` (nested with `__`). All mistakes are
reported at once, each with its place: the variable, or the file and the path in it. Unknown names are mistakes too.
"""

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from reprlib import repr as short
from typing import TYPE_CHECKING, Any, Final

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from strikewatch.core.batch import Key
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import SettingsError
from strikewatch.review.statistics.verdicts import Settings as Judgement
from strikewatch.settings.environment import (
    PREFIX,
    environment_tables,
    mistakes,
    overlay,
    suggestion,
    usable,
    variables,
)
from strikewatch.settings.faults import Faults
from strikewatch.sinks.filter import Filter as WebhookFilter
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
Loc = tuple[str | int, ...]
VALUE_ERROR: Final = "Value error, "
"""Pydantic's prefix to the messages of our own checks."""


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
        300.0, ge=0, description="Times further ahead of this machine's clock are refused, s"
    )
    grace_s: float = Field(
        5.0, gt=0, description="Silence of a hammer after which time is let pass for it, s"
    )
    historic_after_s: float = Field(
        120.0, gt=0, description="Found this long after its onset, an alert is historic, s"
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
        description="The same at one site, listed or not; hammers that `hammers` lists do not count",
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
        return _overlaid(self.faults, own).by_detector() if own else self.faults.by_detector()


def load(path: Path | None = None, given: Mapping[str, Any] | None = None) -> Settings:
    """Load settings from a file, or from the mapping `given`, and from the environment.

    Raises SettingsError with every problem.
    """
    source = _Source(path)
    tables = source.read(path) if path is not None else dict(given or {})
    source.add_hammers_file(tables)
    source.check_sources_file(tables)
    settings, faults = None, Faults()
    try:
        settings = Settings.model_validate(overlay(tables, environment_tables(Settings)))
        faults = settings.faults
    except ValidationError as error:
        source.add(error)
    if path is not None:
        source.add_wrong_types(tables)
    source.check_hammers(tables, faults, whole=settings is not None)
    problems = [*source.problems.items(), *mistakes(Settings, _secrets(tables))]
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
            problems.append((_dotted(at), _message(problem, at)))
    if problems:
        raise SettingsError(problems)
    return settings.model_copy(update={"faults": changed})


@dataclass
class _Source:
    """The origin of the tables, and their problems by place."""

    path: Path | None
    hammers_file: Path | None = None
    hammers: set[str] = field(default_factory=set)
    problems: dict[str, str] = field(default_factory=dict)

    def read(self, path: Path) -> dict[str, Any]:
        try:
            return tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            self.problems[str(path)] = f"cannot be read ({error.strerror}); name an existing file"
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            self.problems[str(path)] = f"is not TOML in UTF-8: {error}"
        return {}

    def add_hammers_file(self, tables: dict[str, Any]) -> None:
        """Read the file of hammers and add its tables."""
        named = self.named_file(tables, "hammers_file")
        own = tables.get("hammers", {})
        if named is None or not isinstance(own, dict):
            return
        self.hammers_file = named
        others = self.read(self.hammers_file)
        self.hammers = others.keys() - own.keys()
        for twice in sorted(others.keys() & own.keys()):
            self.problems[self.place(("hammers", twice))] = f"is also in {self.hammers_file}; keep one"
        tables |= {"hammers_file": str(self.hammers_file), "hammers": others | own}

    def check_sources_file(self, tables: dict[str, Any]) -> None:
        """Report the mistakes in the file of sources."""
        if (named := self.named_file(tables, "sources_file")) is not None:
            # It takes long to import, and most settings name no such file.
            from strikewatch.sources.mapping.mistakes import read_tables

            tables["sources_file"] = str(named)
            self.problems |= dict(read_tables(named)[1])

    def named_file(self, tables: dict[str, Any], key: str) -> Path | None:
        """Return the file that a setting names, if it does. A path in a settings file is relative to that file."""
        if (variable := os.environ.get(f"{PREFIX}{key.upper()}")) is not None:
            return Path(variable)
        named = tables.get(key)
        folder = self.path.parent if self.path else Path()
        return folder / named if isinstance(named, str | Path) else None

    def add(self, error: ValidationError, within: Loc = ()) -> None:
        for problem in error.errors():
            loc = (*within, *problem["loc"])
            self.problems.setdefault(self.place(loc), _message(problem, loc))

    def add_wrong_types(self, tables: Mapping[str, Any]) -> None:
        """Report values of a wrong type in a file, such as a number as text; only the environment is read leniently."""
        for name in tables.keys() & Settings.model_fields.keys():
            kind: TypeAdapter[Any] = TypeAdapter(Settings.model_fields[name].annotation or Any)
            try:
                kind.validate_json(json.dumps(tables[name], default=str), strict=True)
            except ValidationError as error:
                for one in error.errors():
                    place = f"{self.path}: {_dotted((name, *one['loc']))}"
                    if one["type"].endswith("_type"):
                        self.problems.setdefault(place, _message(one, ()))

    def check_hammers(self, tables: Mapping[str, Any], faults: Faults, whole: bool) -> None:
        """Check each hammer's own tables over the common ones; conditions on several values only if `whole`."""
        hammers = tables.get("hammers")
        for hammer, own in hammers.items() if isinstance(hammers, dict) else ():
            if not isinstance(own, dict):
                continue
            try:
                _overlaid(faults, own)
            except ValidationError as error:
                for one in error.errors():
                    if whole or one["type"] != "value_error":
                        loc = ("hammers", hammer, *one["loc"])
                        self.problems.setdefault(self.place(loc), _message(one, loc))

    def place(self, loc: Loc) -> str:
        """Return where a setting was given: the variable, or the file and the path in it."""
        for end in range(len(loc), 0, -1):
            name = PREFIX + "__".join(map(str, loc[:end])).upper()
            if name.lower() in usable(Settings):
                return ".".join([name, *map(str, loc[end:])])
        if loc[0] == "hammers" and len(loc) > 1 and loc[1] in self.hammers:
            return f"{self.hammers_file}: {_dotted(loc[1:])}"
        return f"{self.path}: {_dotted(loc)}" if self.path else _dotted(loc)


def _overlaid(faults: Faults, own: Mapping[str, Any]) -> Faults:
    merged: dict[str, Any] = faults.model_dump()
    for name, table in own.items():
        if name in merged and isinstance(table, dict):
            merged[name] = {**merged[name], **table}
        else:
            merged[name] = table
    return Faults.model_validate(merged, strict=True)


def _secrets(tables: Mapping[str, Any]) -> set[str]:
    """Return the variables that hold secrets, as webhooks and the heartbeat name them."""
    hooks = tables.get("webhooks")
    try:
        hooks = [*(hooks or ()), *json.loads(os.environ.get(f"{PREFIX}WEBHOOKS", "[]"))]
    except (TypeError, ValueError):
        hooks = []
    beat = {"secret_env": os.environ.get(f"{PREFIX}HEARTBEAT__SECRET_ENV", "")}
    named = [*hooks, beat, tables.get("heartbeat")]
    return {str(one["secret_env"]) for one in named if isinstance(one, dict) and "secret_env" in one}


def _message(error: Any, loc: Loc) -> str:
    if error["type"] == "extra_forbidden":
        return f"is unknown; {suggestion(str(loc[-1]), _names(loc))}"
    if error["type"] == "value_error":
        return str(error["msg"]).removeprefix(VALUE_ERROR)
    what = "must be a table" if error["type"] in ("model_type", "dict_type") else error["msg"]
    return f"{what} (got {short(error['input'])})"


def _names(loc: Loc) -> set[str]:
    """Return the valid names at the place of an unknown one."""
    if loc[0] == "webhooks":
        return set((WebhookFilter if "filter" in loc else Webhook).model_fields)
    table = ("faults", *loc[2:-1]) if loc[0] == "hammers" else loc[:-1]
    prefix = PREFIX + "".join(f"{step}__" for step in table).upper()
    below = (name.removeprefix(prefix) for name in variables(Settings) if name.startswith(prefix))
    return {name.lower() for name in below if "__" not in name}


def _dotted(loc: Loc) -> str:
    return ".".join(map(str, loc))
