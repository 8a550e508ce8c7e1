"""How one reader sees texts, numbers, times and alerts: language, units, and local time at the site.

There is one file of texts a language; a translation is one more file.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import SettingsError
from strikewatch.review.charts.drawing import local_time

_TEXTS: Final = Path(__file__).parent / "texts"
SOURCE: Final = "en"
"""The language that has every text; what another one lacks is taken from it."""
_RENAMED_TABLES: Final = {
    "choices": "preferences",
    "say": "common",
    "sheet": "menu",
    "strip": "timeline",
    "verdict": "wear",
    "write": "log",
}
_RENAMED_TEXTS: Final = {
    "fault": {"told": "description", "do": "advice"},
    "log": {"drop": "discard", "mend": "fix", "stands": "expected", "told_at_once": "advice_follows"},
    "now": {"rest": "ended", "unwatched": "not_monitored"},
    "page": {"unnamed": "anonymous"},
    "review": {"making": "preparing"},
    "timeline": {"told": "description"},
    "week": {"figures": "kpis", "yardstick": "benchmark"},
}
"""Earlier names of tables, and of texts by present table, that translations may still use."""
_DROPPED: Final = {
    f"now.{name}"
    for name in (
        *("quiet", "one", "many", "which", "and_muted", "waiting", "oil_over", "grease_left", "grease_due"),
        "grease_over",
        "heard",
    )
} | {
    "alerts.history",
    "mute.settings",
    "preferences.notify",
    "week.day",
    "week.little",
    "week.total",
    "week.was_n",
}
"""Texts that are no longer shown; translations may still have them."""


class Translation:
    """`translation("now.title", **values)`: the text of a key with its braces filled; the key itself if unknown."""

    def __init__(self, language: str, texts: Mapping[str, str]) -> None:
        self.language = language
        self._texts = texts

    def __call__(self, key: str, /, **values: object) -> str:
        text = self._texts.get(key, key)
        return text.format(**values) if values else text

    def has(self, key: str) -> bool:
        """Return whether there is a text."""
        return key in self._texts

    def table(self, name: str) -> dict[str, str]:
        """Return the texts of one table, by their keys within it."""
        start = f"{name}."
        return {key.removeprefix(start): text for key, text in self._texts.items() if key.startswith(start)}


def load_translations(folder: Path | None = None) -> dict[str, Translation]:
    """Load every language by its code: our own, and those in a folder, which take precedence.

    Raises SettingsError naming the file and what is wrong with it.
    """
    folders = [_TEXTS] if folder is None else [_TEXTS, folder]
    files = {path.stem: path for texts_folder in folders for path in sorted(texts_folder.glob("*.toml"))}
    source = _read(_TEXTS / f"{SOURCE}.toml")
    translations = {SOURCE: Translation(SOURCE, source)}
    for code, path in files.items():
        texts = _read(path)
        if unknown := sorted(texts.keys() - source.keys()):
            raise SettingsError([(str(path), f"{unknown[0]} is not a text of the page; see {SOURCE}.toml")])
        translations[code] = Translation(code, {**source, **texts})
    return translations


def _read(path: Path) -> dict[str, str]:
    try:
        texts = _flat(tomllib.loads(path.read_text(encoding="utf-8")))
        return {key: text for name, text in texts if (key := _present_key(name)) not in _DROPPED}
    except OSError as error:
        raise SettingsError([(str(path), f"cannot be read ({error.strerror})")]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, TypeError) as error:
        raise SettingsError([(str(path), f"is not a TOML file of texts: {error}")]) from None


def _present_key(key: str) -> str:
    table, *path, text = key.split(".")
    table = _RENAMED_TABLES.get(table, table)
    return ".".join((table, *path, _RENAMED_TEXTS.get(table, {}).get(text, text)))


def _flat(table: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    flat: list[tuple[str, str]] = []
    for name, value in table.items():
        if isinstance(value, dict):
            flat += _flat(value, f"{prefix}{name}.")
        elif isinstance(value, str):
            flat.append((prefix + name, value))
        else:
            raise TypeError(f"{prefix}{name} must be a text")
    return flat


Units = Literal["metric", "us"]
PSI_PER_BAR: Final = 14.503773773
FEET_PER_METRE: Final = 1 / 0.3048
_INSTANTS: Final = ("missing_since", "missing_until")
"""Evidence that is an instant."""
_UTC: Final = ZoneInfo("UTC")
_LISTS: Final = ("causes", "cylinders")
"""Evidence that is a list of names, separated by blanks."""
_NAME: Final = re.compile(r"`?\b(pose|active|check|[a-z]+(?:_[a-z]+)+)\b`?")
"""A channel or a setting in a reason."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def to_fahrenheit(value_c: float) -> float:
    return value_c * 9 / 5 + 32


@dataclass(frozen=True, slots=True)
class Formatting:
    """The preferences of one reader."""

    translation: Translation
    units: Units = "metric"

    def temperature(self, value_c: float, digits: int = 1) -> str:
        if self.units == "us":
            return f"{to_fahrenheit(value_c):.0f} °F"
        return f"{value_c:.{digits}f} °C"

    def pressure(self, value_bar: float) -> str:
        return f"{value_bar * PSI_PER_BAR:,.0f} psi" if self.units == "us" else f"{value_bar:.0f} bar"

    def length(self, value_m: float) -> str:
        return f"{value_m * FEET_PER_METRE:.1f} ft" if self.units == "us" else f"{value_m:.2f} m"

    def days(self, value_days: float) -> str:
        return "1 day" if f"{value_days:.0f}" == "1" else f"{value_days:,.0f} days"

    def duration(self, value_s: float) -> str:
        """Format a duration: 12.4 s, 3 min 20 s, 2 h 05 min."""
        if value_s < 60:
            return f"{value_s:.1f} s"
        minutes, left_s = divmod(round(value_s), 60)
        if minutes < 60:
            return f"{minutes} min {left_s:02d} s"
        return f"{minutes // 60} h {minutes % 60:02d} min"

    def work_time(self, value_h: float) -> str:
        """Format hours of work, rounded as people plan: 50 min, 1 h 20 min, 47 h."""
        minutes = round(value_h * 60)
        if minutes >= 600:
            return f"{value_h:.0f} h"
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"

    def slope(self, value_c_per_min: float) -> str:
        """Format a change of temperature: rising 0.4 °C a minute."""
        value = value_c_per_min * 9 / 5 if self.units == "us" else value_c_per_min
        way = self.translation("common.falling" if value < 0 else "common.rising")
        return self.translation(
            "common.per_minute", way=way, value=f"{abs(value):.1f} {'°F' if self.units == 'us' else '°C'}"
        )

    def value(self, name: str, value: Any) -> str:
        """Format one piece of evidence by the unit at the end of its name."""
        if isinstance(value, bool):
            return self.translation("common.yes" if value else "common.no")
        if isinstance(value, list):
            return ", ".join(map(str, value)) or "–"
        if not isinstance(value, int | float):
            if name in _INSTANTS:
                return f"{local_time(instant.parse(str(value)), _UTC):%d %b %H:%M} UTC"
            return self._names(name, str(value)) if name in _LISTS else str(value)
        if name == "meter_h":
            return f"{value:,.1f} h"
        for ending, write in (
            ("_c_per_min", self.slope),
            ("_mm2_s", lambda viscosity: f"{viscosity:.1f} mm²/s"),
            ("_c", self.temperature),
            ("_bar", self.pressure),
            ("_s", self.duration),
            ("_min", lambda minutes: self.duration(minutes * 60)),
            ("_h", lambda hours: self.duration(hours * 3600)),
            ("_days", self.days),
            ("_days_left", self.days),
            ("_percent", lambda percent: f"{percent:+.0f} %"),
            ("_rpm", lambda rpm: f"{rpm:.0f} rpm"),
            ("_mm", lambda size: f"{size:g} mm"),
            ("_m", self.length),
            ("_deg", lambda angle: f"{angle:.0f}°"),
        ):
            if name.endswith(ending):
                return write(value)
        return f"{value:g}"

    def limit(self, name: str, value: float) -> str:
        """Format a limit by the unit at the end of its name, without decimals that it does not have: 80 °C, 15 s."""
        if name.endswith("_c"):
            return self.temperature(value, 0)
        return f"{value:g} s" if name.endswith("_s") and value < 60 else self.value(name, value)

    def _names(self, table: str, names: str) -> str:
        """Translate each of several names, by its table of texts or as a fault."""
        texts = self.translation.table(table)
        return ", ".join(texts.get(name) or self.fault_name(name) for name in names.split())

    def event_fields(self, fields: Mapping[str, Any]) -> str:
        """Describe the fields of an event in a few words."""
        return ", ".join(
            " + ".join(map(str, value)) if isinstance(value, list) else self._event_field(name, value)
            for name, value in fields.items()
            if value not in ("", []) and name != "corrects"
        )

    def _event_field(self, name: str, value: Any) -> str:
        if name == "fault":
            return self.fault_name(value)
        for table in (name, "log"):
            if isinstance(value, str) and self.translation.has(f"{table}.{value}"):
                return self.translation(f"{table}.{value}")
        text = self.value(name, value)
        label = f"log.{name}"
        return f"{self.translation(label)}: {text}" if self.translation.has(label) else text

    def reason(self, text: str) -> str:
        """Put names of channels and settings in a reason into the words that people use."""
        return _NAME.sub(
            lambda name: self.translation.table("channel").get(name[1], name[0].replace("_", " ")), text
        )

    def fault_name(self, fault: str) -> str:
        """Return the display name of a fault."""
        key = f"fault.{fault}.name"
        return self.translation(key) if self.translation.has(key) else fault.replace("_", " ").capitalize()

    def describe(self, record: Mapping[str, Any]) -> str:
        """Describe an alert in one sentence for each cause; without texts for it, by the record's own summary."""
        evidence = {name: self.value(name, value) for name, value in record["evidence"].items()}
        keys = [f"fault.{cause}.description" for cause in causes(record)]
        if not all(map(self.translation.has, keys)):
            return str(record["summary"])
        try:
            return " ".join(self.translation(key).format(**evidence) for key in keys)
        except KeyError:
            return str(record["summary"])

    def advice(self, record: Mapping[str, Any]) -> str:
        """Return what to do about an alert, "" without texts for it."""
        keys = (f"fault.{cause}.advice" for cause in causes(record))
        return " ".join(self.translation(key) for key in keys if self.translation.has(key))


def causes(record: Mapping[str, Any]) -> list[str]:
    """Return the fault of an alert record, or all faults that were grouped in it."""
    grouped = str(record["evidence"].get("causes", "")).split()
    return grouped if record["fault"] in grouped else [record["fault"]]


def clock(at: Instant, zone: ZoneInfo, now: Instant) -> str:
    """Format the time of day, with the day unless it is today's."""
    shown, today = local_time(at, zone), local_time(now, zone)
    return f"{shown:%H:%M:%S}" if shown.date() == today.date() else f"{shown:%d %b %H:%M}"


def day_begins(day: date, zone: ZoneInfo) -> Instant:
    """Return the site's midnight at which a day begins, ns."""
    return round((datetime.combine(day, time.min, zone) - _EPOCH).total_seconds()) * SECOND
