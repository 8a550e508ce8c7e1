"""Whether an entry can be right: against the last readings of the hammer, its profile, and the clock.

What cannot be is refused. What is unusual is a question, which whoever enters it may confirm. The bounds are ours
unless marked.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.wear import limits as wear

HOUR: Final = 3600 * SECOND
DAY: Final = 24 * HOUR
LONG_AGO: Final = 30 * DAY
"""What happened longer ago than this is asked about."""
MANY_STROKES: Final = 50
"""Strokes to one nipple; 10 to 20 are usual (common practice, no published source)."""
ROUNDING_H: Final = 0.1
"""Hour meters show tenths."""
SAME_MM: Final = 0.3
"""Two readings of one length may differ by so much against the direction of wear."""
WORN_SHARE: Final = 0.1
"""More than this share of a length does not wear off between two inspections."""
PLAUSIBLE_MM: Final = {"bore_mm": (30.0, 300.0), "tool_mm": (30.0, 300.0), "tool_length_mm": (200.0, 3000.0)}
"""Where neither an earlier reading nor the profile says more (common practice, no published source)."""
LIMITS: Final = {
    "bore_mm": "bore_limit_mm",
    "tool_mm": "tool_diameter_limit_mm",
    "tool_length_mm": "tool_length_limit_mm",
}
"""The setting of the profile by which a length is worn out."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """By field: what cannot be, and what is unusual."""

    refused: dict[str, str] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)


def doubts(event: Event, earlier: Sequence[Event], settings: HammerSettings, now: Instant) -> Doubts:
    """What speaks against an entry. `earlier`: the hammer's valid entries, in any order, without what it corrects."""
    found = Doubts()
    before = sorted((e for e in earlier if e.time <= event.time), key=lambda e: e.time, reverse=True)
    _time(event, earlier, now, found)
    if event.kind == "grease":
        _strokes(event, found)
    elif event.kind == "hours":
        _meter(event, before, found)
    elif event.kind == "inspection":
        limits = settings["wear"]
        assert isinstance(limits, wear.Settings)
        _lengths(event, before, limits, found)
    return found


def _time(event: Event, earlier: Iterable[Event], now: Instant, found: Doubts) -> None:
    when = _minute(event.time)
    if event.kind != "withdrawal" and now - event.time > LONG_AGO:
        found.questions["time"] = f"{when} is {(now - event.time) // DAY} days ago; is that right?"
    if event.kind in ("service", "inspection"):
        later = [e.time for e in earlier if e.kind == event.kind and e.time > event.time]
        if later:
            found.questions["time"] = (
                f"{when} is before the last {event.kind} on record ({_minute(max(later))}); is that right?"
            )


def _strokes(event: Event, found: Doubts) -> None:
    strokes: list[int] = event.fields.get("strokes") or []
    for k, given in enumerate(strokes):
        if given > MANY_STROKES:
            found.questions[f"strokes[{k}]"] = f"10 to 20 strokes are usual; is {given} right?"
    if strokes and not any(strokes):
        found.refused["strokes[0]"] = "without a stroke nothing was greased"


def _meter(event: Event, before: Iterable[Event], found: Doubts) -> None:
    """A meter that runs backwards is looked for where its present reading is known."""
    last = next((e for e in before if e.kind == "hours"), None)
    if last is None or event.fields.get("reason", "reading") != "reading":
        return
    passed_h = (event.time - last.time) / HOUR
    read, told = last.fields["meter_h"], event.fields["meter_h"]
    if told > read + passed_h + ROUNDING_H:
        found.refused["meter_h"] = (
            f"it read {read:,.1f} h on {_minute(last.time)}, {passed_h:,.1f} h before; a meter cannot run faster than "
            "time: correct the reading that is wrong, or give the reason"
        )


def _lengths(event: Event, before: Sequence[Event], limits: wear.Settings, found: Doubts) -> None:
    told = event.fields
    if "bore_mm" in told and "tool_mm" in told and told["tool_mm"] >= told["bore_mm"]:
        found.refused["tool_mm"] = (
            f"a tool of {told['tool_mm']:g} mm does not go into a bore of {told['bore_mm']:g} mm"
        )
    for name in LIMITS:
        if name in told and name not in found.refused:
            last = None if name == "bore_mm" and told.get("bushing_new") else _last(name, before)
            if last is not None:
                question = _against_last(name, told[name], last)
            else:
                question = _against_profile(name, told[name], getattr(limits, LIMITS[name]))
            if question:
                found.questions[name] = question
    if "tool_mm" in told and "bore_mm" not in told and "tool_mm" not in found.questions:
        bore = _last("bore_mm", before)
        if bore is not None and told["tool_mm"] >= bore:
            found.questions["tool_mm"] = (
                f"the bore was {bore:g} mm last time; is a tool of {told['tool_mm']:g} mm right?"
            )


def _against_last(name: str, told: float, last: float) -> str | None:
    grows = name == "bore_mm"
    worn = told - last if grows else last - told
    if worn < -SAME_MM:
        way = "more" if grows else "less"
        other = (
            "was a new bushing put in (tick it)" if grows else "was another tool fitted (enter that first)"
        )
        return f"{last:g} mm last time, and wear makes it {way}; is {told:g} mm right, or {other}?"
    if worn > WORN_SHARE * last:
        return f"{last:g} mm last time; is {told:g} mm right?"
    return None


def _against_profile(name: str, told: float, limit_mm: float | None) -> str | None:
    if limit_mm is not None and not limit_mm / 1.5 <= told <= limit_mm * 1.5:
        return f"worn out is {limit_mm:g} mm; is {told:g} mm right?"
    low, high = PLAUSIBLE_MM[name]
    if limit_mm is None and not low <= told <= high:
        return f"{low:g} to {high:g} mm are usual; is {told:g} mm right?"
    return None


def _last(name: str, before: Iterable[Event]) -> float | None:
    """The last reading of a length, newest first; none of a tool or bushing that has been changed since."""
    for event in before:
        if event.kind == "tool_change" and name != "bore_mm":
            return None
        if event.kind == "inspection" and name in event.fields:
            value: float = event.fields[name]
            return value
        if event.kind == "inspection" and event.fields.get("bushing_new") and name == "bore_mm":
            return None
    return None


def _minute(at: Instant) -> str:
    return instant.text(at)[:16].replace("T", " ") + " UTC"


def said(fields: Mapping[str, str]) -> str:
    """All of it in one line."""
    return "; ".join(f"{name}: {what}" for name, what in fields.items())
