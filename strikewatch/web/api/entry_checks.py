"""Whether an entry that a person logs is complete and plausible.

For gateways the contract alone counts: from them a bare `service` event is valid. People must say what was done, so
that an empty form never resets a timer, and entries are compared with the hammer's last readings, its profile and the
clock. An impossible value is refused; an unusual value must be confirmed. The bounds are our own choice unless marked.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final
from zoneinfo import ZoneInfo

from strikewatch.core.events import KINDS, Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.review.wear import advice as wear

HOUR: Final = 3600 * SECOND
DAY: Final = 24 * HOUR
LONG_AGO: Final = 30 * DAY
"""The user is asked to confirm an event longer ago than this."""
MANY_STROKES: Final = 50
"""Strokes to one nipple; 10 to 20 are usual (common practice, no published source)."""
METER_RESOLUTION_H: Final = 0.1
"""Hour meters show tenths."""
MEASUREMENT_ERROR_MM: Final = 0.3
"""Two readings of one length may differ by this much against the direction of wear."""
MOST_WEAR_SHARE: Final = 0.1
"""More than this share of a length does not wear off between two inspections."""
PLAUSIBLE_MM: Final = {"bore_mm": (30.0, 300.0), "tool_mm": (30.0, 300.0), "tool_length_mm": (200.0, 3000.0)}
"""Used without an earlier reading or a limit in the profile (common practice, no published source)."""
WEAR_LIMITS: Final = {
    "bore_mm": "bore_limit_mm",
    "tool_mm": "tool_diameter_limit_mm",
    "tool_length_mm": "tool_length_limit_mm",
}
"""The profile's setting of the wear limit, by length."""


@dataclass(frozen=True, slots=True)
class EntryProblems:
    """What is impossible and what is unusual, by field."""

    impossible: dict[str, str] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)


def missing_fields(event: Event) -> dict[str, str]:
    """Return what to enter, by field, if an entry gives none of the fields that its kind needs (`core.events`)."""
    kind = KINDS[event.kind]
    if not kind.entry_needs or any(
        event.fields.get(name) not in (None, False, "", []) for name in kind.entry_needs
    ):
        return {}
    return {kind.entry_needs[0]: kind.entry_prompt}


def check_entry(
    event: Event, earlier: Sequence[Event], settings: HammerSettings, now: Instant, zone: ZoneInfo
) -> EntryProblems:
    """Check an entry against the hammer's other valid entries, in any order, without the one that it corrects.

    `zone`: of the site, for the times that are named.
    """
    problems = EntryProblems()
    before = sorted(
        (other for other in earlier if other.time <= event.time), key=attrgetter("time"), reverse=True
    )
    _check_time(event, earlier, now, zone, problems)
    if event.kind == "grease":
        _check_strokes(event, problems)
    elif event.kind == "hours":
        _check_meter(event, before, zone, problems)
    elif event.kind == "coached":
        _check_fault(event, problems)
    elif event.kind == "inspection":
        limits = settings["wear"]
        assert isinstance(limits, wear.Settings)
        _check_lengths(event, before, limits, problems)
    return problems


def _check_time(
    event: Event, earlier: Iterable[Event], now: Instant, zone: ZoneInfo, problems: EntryProblems
) -> None:
    when = _minute(event.time, zone)
    if event.kind != "withdrawal" and now - event.time > LONG_AGO:
        problems.questions["time"] = f"{when} is {(now - event.time) // DAY} days ago; is that right?"
    if event.kind in ("service", "inspection"):
        later = [other.time for other in earlier if other.kind == event.kind and other.time > event.time]
        if later:
            problems.questions["time"] = (
                f"{when} is before the last {event.kind} on record ({_minute(max(later), zone)}); is that right?"
            )


def _check_strokes(event: Event, problems: EntryProblems) -> None:
    strokes: list[int] = event.fields.get("strokes") or []
    for nipple, count in enumerate(strokes):
        if count > MANY_STROKES:
            problems.questions[f"strokes[{nipple}]"] = f"10 to 20 strokes are usual; is {count} right?"
    if strokes and not any(strokes):
        problems.impossible["strokes[0]"] = "without a stroke nothing was greased"


def _check_fault(event: Event, problems: EntryProblems) -> None:
    if event.fields["fault"] not in OPERATOR_FAULTS:
        problems.impossible["fault"] = (
            f"is not a fault of operators; choose one of {', '.join(OPERATOR_FAULTS)}"
        )


def _check_meter(event: Event, before: Iterable[Event], zone: ZoneInfo, problems: EntryProblems) -> None:
    """Report a meter that ran faster than time; `events` reports one that ran backwards."""
    last = next((other for other in before if other.kind == "hours"), None)
    if last is None or event.fields.get("reason", "reading") != "reading":
        return
    passed_h = (event.time - last.time) / HOUR
    last_h, meter_h = last.fields["meter_h"], event.fields["meter_h"]
    if meter_h > last_h + passed_h + METER_RESOLUTION_H:
        problems.impossible["meter_h"] = (
            f"it read {last_h:,.1f} h on {_minute(last.time, zone)}, {passed_h:,.1f} h before; a meter cannot run "
            "faster than time: correct the reading that is wrong, or give the reason"
        )


def _check_lengths(
    event: Event, before: Sequence[Event], limits: wear.Settings, problems: EntryProblems
) -> None:
    fields = event.fields
    if "bore_mm" in fields and "tool_mm" in fields and fields["tool_mm"] >= fields["bore_mm"]:
        problems.impossible["tool_mm"] = (
            f"a tool of {fields['tool_mm']:g} mm does not go into a bore of {fields['bore_mm']:g} mm"
        )
    for name in WEAR_LIMITS:
        if name in fields and name not in problems.impossible:
            last = None if name == "bore_mm" and fields.get("bushing_new") else _last_reading(name, before)
            if last is not None:
                question = _compare_with_last(name, fields[name], last)
            else:
                question = _compare_with_profile(name, fields[name], getattr(limits, WEAR_LIMITS[name]))
            if question:
                problems.questions[name] = question
    if "tool_mm" in fields and "bore_mm" not in fields and "tool_mm" not in problems.questions:
        bore_mm = _last_reading("bore_mm", before)
        if bore_mm is not None and fields["tool_mm"] >= bore_mm:
            problems.questions["tool_mm"] = (
                f"the bore was {bore_mm:g} mm last time; is a tool of {fields['tool_mm']:g} mm right?"
            )


def _compare_with_last(name: str, given_mm: float, last_mm: float) -> str | None:
    grows = name == "bore_mm"
    worn_mm = given_mm - last_mm if grows else last_mm - given_mm
    if worn_mm < -MEASUREMENT_ERROR_MM:
        direction = "more" if grows else "less"
        explanation = (
            "was a new bushing put in (tick it)" if grows else "was another tool fitted (enter that first)"
        )
        return f"{last_mm:g} mm last time, and wear makes it {direction}; is {given_mm:g} mm right, or {explanation}?"
    if worn_mm > MOST_WEAR_SHARE * last_mm:
        return f"{last_mm:g} mm last time; is {given_mm:g} mm right?"
    return None


def _compare_with_profile(name: str, given_mm: float, limit_mm: float | None) -> str | None:
    if limit_mm is not None and not limit_mm / 1.5 <= given_mm <= limit_mm * 1.5:
        return f"worn out is {limit_mm:g} mm; is {given_mm:g} mm right?"
    low, high = PLAUSIBLE_MM[name]
    if limit_mm is None and not low <= given_mm <= high:
        return f"{low:g} to {high:g} mm are usual; is {given_mm:g} mm right?"
    return None


def _last_reading(name: str, before: Iterable[Event]) -> float | None:
    """Return the last reading of a length from events, newest first; None if the part was changed since."""
    for event in before:
        if event.kind == "tool_change" and name != "bore_mm":
            return None
        if event.kind == "inspection" and name in event.fields:
            value: float = event.fields[name]
            return value
        if event.kind == "inspection" and event.fields.get("bushing_new") and name == "bore_mm":
            return None
    return None


def _minute(at: Instant, zone: ZoneInfo) -> str:
    return f"{local_time(at, zone):%d %b %Y %H:%M}"
