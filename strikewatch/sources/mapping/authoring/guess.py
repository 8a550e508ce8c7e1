"""Guesses for a first table: which value is which channel, in which unit, and how its time is written. Pure.

A guess goes by the words of a name or path and by the values. It is a proposal: the person who knows the gateway
confirms it.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import Instant
from strikewatch.sources.mapping.times import NS_PER
from strikewatch.sources.mapping.units import UNITS
from strikewatch.sources.mapping.values import number

_WORDS: Final = re.compile(r"[A-ZÄÖÜ]+(?![a-zäöü])|[A-ZÄÖÜ]?[a-zäöüß]+|°[CF]|\d+")
_TEMPERATURE: Final = (
    "temp",
    "temperature",
    "temperatur",
    "tmp",
    "t",
    "cel",
    "celsius",
    "°c",
    "°f",
    "degc",
    "degf",
)
_PRESSURE: Final = (
    "pressure",
    "press",
    "pres",
    "druck",
    "p",
    "psi",
    "kpa",
    "mpa",
    "bar",
    "mbar",
    "supply",
    "hp",
    "prs",
)
_SIGNS: Final[dict[str, tuple[tuple[tuple[str, ...], int], ...]]] = {
    "active": (
        (("hammer", "breaker", "ham", "firing", "fire", "active", "striking", "schlag"), 3),
        (
            ("on", "run", "running", "working", "state", "status", "valve", "ein", "betrieb", "busy", "mode"),
            2,
        ),
    ),
    "pressure_bar": ((_PRESSURE, 3), (("hyd", "hydraulic", "hydraulik", "line"), 1)),
    "oil_c": ((("oil", "öl", "oel", "oiltemp"), 3), (_TEMPERATURE, 2), (("hyd", "hydraulic"), 1)),
    "engine_rpm": ((("rpm", "drehzahl", "revs"), 3), (("engine", "eng", "motor"), 2), (("speed",), 1)),
    "grease_level": ((("grease", "fett", "lube"), 2), (("level", "reservoir", "füllstand", "pct"), 2)),
    "grease_flow": ((("grease", "fett", "lube"), 2), (("flow", "pump"), 2)),
    "grease_bar": ((("grease", "fett", "lube"), 2), (_PRESSURE, 2)),
    "tool_x_m": ((("x", "east", "easting"), 3),),
    "tool_y_m": ((("y", "north", "northing"), 3),),
    "boom_deg": ((("boom", "ausleger"), 3), (("angle", "deg"), 1)),
    "stick_deg": ((("stick", "stiel"), 3), (("angle", "deg"), 1)),
    "bucket_deg": ((("bucket", "löffel"), 3), (("angle", "deg"), 1)),
    "swing_deg": ((("swing", "slew", "schwenk"), 3), (("angle", "deg"), 1)),
    "tilt_deg": ((("tilt",), 3), (("angle", "deg"), 1)),
}
"""By channel: words and their weight. A guess needs a weight of 3, or of 2 for what no other channel is likelier."""
_NEVER: Final = {"oil_c": _PRESSURE[:6], "pressure_bar": _TEMPERATURE[:4], "engine_rpm": _TEMPERATURE[:4]}
"""Words that speak against a channel."""
_OTHER_FLUIDS: Final = ("coolant", "water", "kühlwasser", "ambient", "fuel", "cabin", "gearbox", "air")
_UNIT_WORDS: Final = {
    "degf": "°F",
    "fahrenheit": "°F",
    "°f": "°F",
    "f": "°F",
    "degc": "°C",
    "celsius": "°C",
    "°c": "°C",
}
_ON: Final = (
    "on",
    "open",
    "run",
    "running",
    "ein",
    "active",
    "true",
    "yes",
    "ja",
    "firing",
    "working",
    "start",
    "busy",
    "schlagen",
)
_OFF: Final = (
    "off",
    "shut",
    "closed",
    "stop",
    "stopped",
    "aus",
    "idle",
    "false",
    "no",
    "nein",
    "inactive",
    "rest",
    "ruhe",
)
_TIME_WORDS: Final = (
    "time", "timestamp", "ts", "t", "at", "when", "date", "datetime", "zeit", "datum", "utc", "epoch", "sent", "t0",
    "start", "ms", "stamp", "clock", "time_ms", "bt",
)  # fmt: skip
_PATTERNS: Final = (
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S,%f", "%d.%m.%Y %H:%M:%S.%f", "%d/%m/%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S",
    "%Y%m%d%H%M%S", "%Y%m%dT%H%M%S", "%Y%m%dT%H%M%SZ",
)  # fmt: skip
_NEAR_NS: Final = 400 * 86_400 * 10**9


def words_of(text: str) -> list[str]:
    """Return the words of a name, in small letters: `hydPress_kPa` → hyd, press, kpa."""
    text = re.sub(r"([kmh]?)P[aA]\b", lambda found: f"{found[1].lower()}pa", text.replace("_", " "))
    return [word.casefold() for word in _WORDS.findall(text)]


class Guess(NamedTuple):
    """A guessed channel. `unit`: "" if no name says it. `weight`: how likely."""

    channel: str
    weight: int
    unit: str


def numbers_of(values: Iterable[Any]) -> list[float]:
    """Return those values that are numbers, those in arrays and texts included."""
    found: list[float] = []
    for value in values:
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, int | float) and not isinstance(one, bool):
                found.append(float(one))
            elif isinstance(one, str) and (read := number(one, "," if "," in one else ".")) is not None:
                found.append(read)
    return found


def guess_channels(values: Mapping[str, Sequence[Any]]) -> dict[str, Guess]:
    """Return the likeliest channel of each name or path; each channel once."""
    guesses = [(guess, name) for name, seen in values.items() for guess in _guesses(name, seen)]
    found: dict[str, Guess] = {}
    for guess, name in sorted(guesses, key=lambda each: -each[0].weight):
        if name not in found and all(guess.channel != each.channel for each in found.values()):
            found[name] = guess
    return found


def _guesses(name: str, values: Sequence[Any]) -> Iterable[Guess]:
    words = words_of(name)
    if any(word in _OTHER_FLUIDS for word in words):
        return
    for channel, signs in _SIGNS.items():
        if any(word in _NEVER.get(channel, ()) for word in words) or not _fits(channel, values):
            continue
        weight = sum(weight for known, weight in signs if any(word in known for word in words))
        if channel.startswith("grease") and weight < 4:
            continue
        if not channel.startswith("grease") and any(word in _SIGNS["grease_bar"][0][0] for word in words):
            continue
        if weight >= 2:
            yield Guess(channel, weight, guess_unit(channel, words))


def _fits(channel: str, values: Sequence[Any]) -> bool:
    """Tell whether values can be of a channel: yes or no, or numbers."""
    flat = [
        one for value in values for one in (value if isinstance(value, list) else [value]) if one is not None
    ]
    if not flat:
        return False
    texts = {one for one in flat if isinstance(one, str)}
    if CHANNELS[channel].boolean:
        if texts:
            return len(texts) <= 3 and all(number(one) in (None, 0.0, 1.0) for one in texts)
        return all(isinstance(one, bool) or one in (0, 1) for one in flat)
    return not any(isinstance(one, bool | dict) for one in flat) and len(numbers_of(flat)) * 2 >= len(flat)


def guess_unit(channel: str, words: Iterable[str]) -> str:
    """Return the unit that the words of a name say; "" if none."""
    units = UNITS[CHANNELS[channel].unit]
    if CHANNELS[channel].boolean:
        return ""
    folded = {unit.casefold(): unit for unit in units if len(unit) > 1} | {
        word: unit for word, unit in _UNIT_WORDS.items() if unit in units
    }
    return next((folded[word] for word in words if word in folded), "")


def unit_note(channel: str, unit: str, values: Sequence[float]) -> str:
    """Return what is to be confirmed of a number's unit."""
    if not values:
        return ""
    low, high = min(values), max(values)
    heard = f"heard {low:g}" + (f" to {high:g}" if high > low else "")
    bounds, own = CHANNELS[channel], CHANNELS[channel].unit
    convert_own = UNITS[own].get(unit, float)
    beyond = sorted({value for value in values if not bounds.low <= convert_own(value) <= bounds.high})
    if beyond and 2 * sum(value in beyond for value in values) <= len(values):
        codes = ", ".join(f"{value:g}" for value in beyond[:4])
        return f"confirm the unit; {heard}; if {codes} stands for no value: missing = [{codes}]"
    if unit:
        return f"confirm the unit; {heard}"
    if bounds.low <= low and high <= bounds.high:
        return f"confirm that this is in {'°C' if own == 'Cel' else own}; {heard}"
    likely = [
        name
        for name, convert in UNITS[own].items()
        if bounds.low <= convert(low)
        and convert(high) <= bounds.high
        and abs(convert(high)) > bounds.high / 1e3
    ]
    return f"{heard}: not {own}; add unit (one of {', '.join(likely)}), scale, or from and to"


def split_words(values: Sequence[Any]) -> tuple[list[str], list[str], list[str]]:
    """Return which texts mean on, which off, and which are not known."""
    texts = sorted({value for value in values if isinstance(value, str) and number(value) is None})
    on = [each for each in texts if each.casefold() in _ON]
    off = [each for each in texts if each.casefold() in _OFF]
    return on, off, [each for each in texts if each not in (*on, *off)]


def guess_time(values: Mapping[str, Sequence[Any]], received: Instant) -> tuple[str, str, bool] | None:
    """Return (path, form, whether it needs a zone) of the likeliest time; None if there is none."""
    best: tuple[int, str, str, bool] | None = None
    for path, seen in values.items():
        first = next((value for value in seen if value is not None), None)
        if isinstance(first, list):
            first = first[0] if first else None
        form = _time_form(first, received)
        if form is None:
            continue
        words = words_of(path)
        weight = (
            2 * any(word in _TIME_WORDS for word in words[-2:]) + (isinstance(first, str)) + (len(words) < 3)
        )
        if weight >= 1 and (best is None or weight > best[0]):
            best = weight, path, *form
    return None if best is None else best[1:]


def guess_date_and_clock(values: Mapping[str, Sequence[Any]]) -> tuple[list[str], str] | None:
    """Return the paths of a date and a clock time that are apart, and the pattern of both; None if there are none."""
    found: list[tuple[str, str]] = []
    for patterns in (
        ("%d.%m.%Y", "%Y-%m-%d", "%d/%m/%Y", "%Y/%m/%d"),
        ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f"),
    ):
        for path, seen in values.items():
            form = next((each for each in patterns if seen and _is_form(seen[0], each)), None)
            if form is not None:
                found.append((path, form))
                break
    if len(found) < 2:
        return None
    return [path for path, _ in found], " ".join(form for _, form in found)


def _is_form(value: Any, form: str) -> bool:
    try:
        datetime.strptime(str(value).strip(), form)  # noqa: DTZ007  # only whether it can be read
    except ValueError:
        return False
    return isinstance(value, str)


def _time_form(value: Any, received: Instant) -> tuple[str, bool] | None:
    if isinstance(value, str):
        try:
            return "iso", datetime.fromisoformat(value).tzinfo is None
        except ValueError:
            pass
        for pattern in _PATTERNS:
            try:
                datetime.strptime(value.strip(), pattern)  # noqa: DTZ007  # only whether it can be read
            except ValueError:
                continue
            return pattern, True
    read = number(value) if isinstance(value, str) else value
    if isinstance(read, int | float) and not isinstance(read, bool):
        for form, factor in NS_PER.items():
            if abs(read * factor - received) < 10 * _NEAR_NS:
                return form, False
    return None
