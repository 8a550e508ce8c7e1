"""One tree of settings, each branch defined in the room it belongs to.

Read from a TOML file; environment variables `STRIKEWATCH_…` (nested with `__`) override it. Every mistake is reported
at once, with its path; what is unknown is a mistake too, in the file as in the environment.
"""

import os
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from strikewatch.deliver.log import Settings as Log
from strikewatch.deliver.webhook import Settings as Webhook
from strikewatch.detect.blank_firing import Settings as BlankFiring
from strikewatch.detect.cold_oil import Settings as ColdOil
from strikewatch.detect.grease import Settings as Grease
from strikewatch.detect.hot_oil import Settings as HotOil
from strikewatch.detect.oil_heating import Settings as OilHeating
from strikewatch.detect.reading import Settings as Firing
from strikewatch.detect.same_spot import Settings as SameSpot
from strikewatch.detect.sensor_fault import Settings as SensorFault
from strikewatch.detect.signal_lost import Settings as SignalLost
from strikewatch.errors import SettingsError
from strikewatch.intake.mqtt.settings import Settings as Mqtt
from strikewatch.model.batch import Key
from strikewatch.pipeline import HammerSettings
from strikewatch.store.recording import Settings as Recording
from strikewatch.store.store import Settings as Store

_CLOSED = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
PREFIX: Final = "STRIKEWATCH_"
NOT_SETTINGS: Final = {"STRIKEWATCH_ALL", "STRIKEWATCH_CONFIG"}


class Faults(BaseModel):
    """What counts as a fault: the settings of every detector."""

    model_config = _CLOSED

    firing: Firing = Field(default_factory=Firing)
    same_spot: SameSpot = Field(default_factory=SameSpot)
    hot_oil: HotOil = Field(default_factory=HotOil)
    oil_heating: OilHeating = Field(default_factory=OilHeating)
    cold_oil: ColdOil = Field(default_factory=ColdOil)
    blank_firing: BlankFiring = Field(default_factory=BlankFiring)
    grease: Grease = Field(default_factory=Grease)
    signal_lost: SignalLost = Field(default_factory=SignalLost)
    sensor_fault: SensorFault = Field(default_factory=SensorFault)

    def by_detector(self) -> HammerSettings:
        return {name: getattr(self, name) for name in type(self).model_fields}


class Intake(BaseModel):
    """How arrivals become rows in event time."""

    model_config = _CLOSED

    reorder_s: float = Field(2.0, ge=0, le=60, description="How long a row may wait for stragglers, s")
    max_ahead_s: float = Field(
        300.0, ge=0, description="Times further ahead of this machine's clock are refused, s"
    )
    grace_s: float = Field(
        5.0, gt=0, description="Silence of a hammer after which time is let pass for it, s"
    )
    historic_after_s: float = Field(
        120.0, gt=0, description="Found this long after its onset, an alert is historic, s"
    )


class Settings(BaseSettings):
    """All settings of the processor."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        env_nested_delimiter="__",
        extra="forbid",
        frozen=True,
        nested_model_default_partial_update=True,
    )

    mqtt: Mqtt = Field(default_factory=Mqtt)
    intake: Intake = Field(default_factory=Intake)
    faults: Faults = Field(default_factory=Faults)
    hammers: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="Hammer → what differs from `faults` for it, in the same tables"
    )
    hammers_file: Path | None = Field(
        None, description="A file of such tables, one a hammer; beside this one"
    )
    alive_file: Path | None = Field(
        None, description="A file touched every second while all is well, for health checks; left out: none"
    )
    store: Store = Field(default_factory=Store)
    recording: Recording = Field(default_factory=Recording)
    log: Log = Field(default_factory=Log)
    webhooks: tuple[Webhook, ...] = Field((), description="Endpoints that alerts are sent to")

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        del settings_cls, dotenv_settings, file_secret_settings
        return env_settings, init_settings

    def of_hammer(self, key: Key) -> HammerSettings:
        """The detectors' settings for one hammer: those of all, with what its own table changes."""
        own = self.hammers.get(key[1])
        return _overlaid(self.faults, own).by_detector() if own else self.faults.by_detector()


def load(path: Path | None = None, given: Mapping[str, Any] | None = None) -> Settings:
    """Settings from a file, from the mapping `given` if there is no file, and from the environment.

    Raises SettingsError with every problem found.
    """
    problems: list[tuple[str, str]] = []
    tables: dict[str, Any] = dict(given or {})
    if path is not None:
        tables = _toml(path, problems)
        hammers_file = os.environ.get(f"{PREFIX}HAMMERS_FILE") or tables.get("hammers_file")
        if isinstance(hammers_file, str):
            tables["hammers_file"] = str(path.parent / hammers_file)
            tables["hammers"] = {
                **_toml(path.parent / hammers_file, problems),
                **tables.get("hammers", {}),
            }
    settings = None
    try:
        settings = Settings(**tables)
    except ValidationError as error:
        problems += [(_path(e["loc"]), _message(e)) for e in error.errors()]
    except ValueError as error:
        problems.append(("environment", f"{error}; nested values take JSON"))
    named = {hook.secret_env for hook in settings.webhooks} if settings is not None else set()
    problems += _unknown_variables({name for name in named if name})
    if settings is not None:
        for hammer, own in settings.hammers.items():
            try:
                _overlaid(settings.faults, own)
            except ValidationError as error:
                problems += [(f"hammers.{hammer}.{_path(e['loc'])}", _message(e)) for e in error.errors()]
    if problems or settings is None:
        raise SettingsError(problems)
    return settings


def _overlaid(faults: Faults, own: Mapping[str, Any]) -> Faults:
    merged: dict[str, Any] = faults.model_dump()
    for name, table in own.items():
        if name in merged and isinstance(table, dict):
            merged[name] = {**merged[name], **table}
        else:
            merged[name] = table
    return Faults.model_validate(merged)


def _toml(path: Path, problems: list[tuple[str, str]]) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        problems.append((str(path), f"cannot be read ({error.strerror}); name an existing file"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problems.append((str(path), f"is not TOML in UTF-8: {error}"))
    return {}


def _message(error: Any) -> str:
    if error["type"] == "extra_forbidden":
        return "is unknown; remove it, or see config/strikewatch.toml for the names"
    return f"{error['msg']} (got {error['input']!r})"


def _path(steps: tuple[str | int, ...]) -> str:
    return ".".join(str(step) for step in steps) or "settings"


def _unknown_variables(secrets: set[str]) -> list[tuple[str, str]]:
    known = _variables(Settings, PREFIX)
    return [
        (name, _unknown_name(name, known))
        for name in sorted(os.environ)
        if name.upper().startswith(PREFIX)
        and name not in NOT_SETTINGS | secrets
        and name.upper() not in known
        and not name.upper().startswith(f"{PREFIX}HAMMERS__")
    ]


def _unknown_name(name: str, known: frozenset[str]) -> str:
    near = get_close_matches(name.upper(), known, 1)
    return "is no setting; " + (
        f"did you mean {near[0]}?" if near else "see config/strikewatch.toml for the names"
    )


@cache
def _variables(model: type[BaseModel], prefix: str) -> frozenset[str]:
    """Every environment variable that a tree of settings knows."""
    names: set[str] = set()
    for name, field in model.model_fields.items():
        names.add(f"{prefix}{name.upper()}")
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            names |= _variables(inner, f"{prefix}{name.upper()}__")
    return frozenset(names)
