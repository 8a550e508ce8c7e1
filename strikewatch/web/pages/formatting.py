"""How one reader sees numbers, times and alerts: units, language, and the clock on the wall of the site."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import local_time
from strikewatch.web.pages.translations import Words

Units = Literal["metric", "us"]
PSI_PER_BAR: Final = 14.503773773
FEET_PER_METRE: Final = 1 / 0.3048
_SEVERAL: Final = ("causes", "cylinders")
"""Evidence that names several things, with blanks between them."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def to_fahrenheit(value_c: float) -> float:
    return value_c * 9 / 5 + 32


@dataclass(frozen=True, slots=True)
class View:
    """One reader's choices."""

    words: Words
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

    def span(self, value_s: float) -> str:
        """A length of time: 12.4 s, 3 min 20 s, 2 h 05 min."""
        if value_s < 60:
            return f"{value_s:.1f} s"
        minutes, left_s = divmod(round(value_s), 60)
        if minutes < 60:
            return f"{minutes} min {left_s:02d} s"
        return f"{minutes // 60} h {minutes % 60:02d} min"

    def work(self, value_h: float) -> str:
        """Hours of work, no more exact than anybody plans: 50 min, 1 h 20 min, 47 h."""
        minutes = round(value_h * 60)
        if minutes >= 600:
            return f"{value_h:.0f} h"
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"

    def value(self, name: str, value: Any) -> str:
        """One piece of evidence, by the unit in its name."""
        if isinstance(value, bool):
            return self.words("say.yes" if value else "say.no")
        if isinstance(value, list):
            return ", ".join(map(str, value)) or "–"
        if not isinstance(value, int | float):
            return self._called(name, str(value)) if name in _SEVERAL else str(value)
        if name == "meter_h":
            return f"{value:,.1f} h"
        if name.endswith("_c_per_min"):
            slope = value * 9 / 5 if self.units == "us" else value
            return f"{slope:+.2f} {'°F' if self.units == 'us' else '°C'}/min"
        for ending, write in (
            ("_mm2_s", lambda viscosity: f"{viscosity:.1f} mm²/s"),
            ("_c", self.temperature),
            ("_bar", self.pressure),
            ("_s", self.span),
            ("_min", lambda minutes: self.span(minutes * 60)),
            ("_h", lambda hours: self.span(hours * 3600)),
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

    def _called(self, table: str, names: str) -> str:
        """Each of several as the words of its table call it, or as the fault it is."""
        own = self.words.under(table)
        return ", ".join(own.get(one) or self.fault(one) for one in names.split())

    def fields(self, fields: Mapping[str, Any]) -> str:
        """What an event bears, in a few words."""
        return ", ".join(
            " + ".join(map(str, value)) if isinstance(value, list) else self._word(name, value)
            for name, value in fields.items()
            if value not in ("", []) and name != "corrects"
        )

    def _word(self, name: str, value: Any) -> str:
        """A value, as the words call it where they do."""
        for table in (name, "write"):
            if isinstance(value, str) and self.words.has(f"{table}.{value}"):
                return self.words(f"{table}.{value}")
        text = self.value(name, value)
        return f"{self.words(f'write.{name}')}: {text}" if self.words.has(f"write.{name}") else text

    def fault(self, fault: str) -> str:
        """What people call it."""
        name = f"fault.{fault}.name"
        return self.words(name) if self.words.has(name) else fault.replace("_", " ").capitalize()

    def told(self, record: Mapping[str, Any]) -> str:
        """One plain sentence, or one for each cause; the record's own summary where the words have none for it."""
        evidence = {key: self.value(key, value) for key, value in record["evidence"].items()}
        names = [f"fault.{one}.told" for one in causes(record)]
        if not all(map(self.words.has, names)):
            return str(record["summary"])
        try:
            return " ".join(self.words(name).format(**evidence) for name in names)
        except KeyError:
            return str(record["summary"])

    def todo(self, record: Mapping[str, Any]) -> str:
        """What to do about it; empty where the words have nothing."""
        names = (f"fault.{one}.do" for one in causes(record))
        return " ".join(self.words(name) for name in names if self.words.has(name))


def causes(record: Mapping[str, Any]) -> list[str]:
    """The fault of an alert record, or all that came together in it."""
    several = str(record["evidence"].get("causes", "")).split()
    return several if record["fault"] in several else [record["fault"]]


def clock(at: Instant, zone: ZoneInfo, now: Instant) -> str:
    """Time of day; with the day where it is not today's."""
    shown, today = local_time(at, zone), local_time(now, zone)
    return f"{shown:%H:%M:%S}" if shown.date() == today.date() else f"{shown:%d %b %H:%M}"


def day_begins(day: date, zone: ZoneInfo) -> Instant:
    """Midnight at the site as a day begins, ns."""
    return round((datetime.combine(day, time.min, zone) - _EPOCH).total_seconds()) * SECOND
