"""Wear and tools in words, the same in the terminal and in the report."""

from typing import Final

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.review.report.wording import hours, many
from strikewatch.review.statistics.trend import FEWEST, Meeting
from strikewatch.review.wear import tool_advice
from strikewatch.review.wear.condition import Fitted
from strikewatch.review.wear.inspections import Measured, Worn
from strikewatch.review.wear.limits import PRACTICE
from strikewatch.review.wear.tools import Group, Tool

LASTING: Final = (
    "Hours of firing by which half of the tools have come off worn, broken or lost (Kaplan-Meier); those in use or "
    "swapped count as still lasting, those whose start is not known not at all."
)
VERDICTS: Final = {
    "reuse": "Reuse the bushing.",
    "turn": "Turn the bushing.",
    "replace": "Replace the bushing.",
}


def inspected(one: Worn) -> str:
    return f"inspected {_day(one.inspected)}, {one.hours:,.1f} operating hours on record"


def verdict(one: Worn) -> str:
    """What to do with the lower bushing."""
    return VERDICTS[one.bushing.verdict] if one.bushing.verdict else "Lower bushing: nothing to decide by."


def why(one: Worn) -> str:
    """... and why; where grooves decide, that this is common practice."""
    return f"{one.bushing.why} {PRACTICE}" if one.groove else one.bushing.why


def measured(one: Measured) -> str:
    """The newest reading, against its limit."""
    last = one.readings[-1]
    what = one.measure.words if one.measure.name == "bore_mm" else f"{name(one)}: {one.measure.words}"
    said = f"{what} {last.value_mm:g} mm on {_day(last.at)} ({many(len(one.readings), 'reading')})"
    return f"{said[0].upper()}{said[1:]}. {one.decision.why if one.in_use else 'It is no longer fitted.'}"


def outlook(one: Measured) -> list[str]:
    """How the readings go, and when they meet the limit; with intervals, never a date."""
    if one.trend is None:
        few = f"Too few readings for a trend: it takes {FEWEST} at different operating hours."
        return [few] if one.in_use else []
    slope = f"Trend: {one.trend.slope_mm_h * 100:+.3g} mm per 100 operating hours"
    if not one.in_use:
        return [f"{slope}."]
    _, lower, upper = one.trend.at(one.hours)
    said = [f"{slope}; a reading now would be {lower:.1f} to {upper:.1f} mm (95 %)."]
    return said if one.meeting is None else [*said, _meets(one, one.meeting)]


def _meets(one: Measured, meeting: Meeting) -> str:
    """In how many operating hours, from now, the trend meets the limit."""
    line, first, last = (None if hour is None else max(0.0, hour - one.hours) for hour in meeting)
    if last == 0:
        return "By the trend the limit has been reached."
    if first is None:
        return "The trend does not lead to the limit."
    early = "now" if first == 0 else f"in {hours(first)}"
    between = (
        f"95 %: {early} or later, no end in sight" if last is None else f"95 %: {early} to {hours(last)}"
    )
    if line is None:
        return f"The trend does not lead to the limit, but readings may reach it ({between})."
    about = "has been reached by now" if line == 0 else f"will be reached in about {hours(line)} of operation"
    return f"By the trend the limit {about} ({between})."


def name(one: Tool | Measured | None) -> str:
    """A tool as people call it: its type, material and serial."""
    if one is None:
        return "·"
    kind = tool_advice.NAMES.get(one.kind, one.kind) if one.kind else "unknown tool"
    material = getattr(one, "material", None)
    return " ".join(filter(None, [f"{kind}," if material else kind, material, one.serial]))


def work(one: Fitted) -> str:
    return tool_advice.told(one.work) if one.work else ""


def advised(one: Fitted) -> str:
    """Whether the fitted tool is the advised one, or which that is."""
    if one.advice is None:
        return ""
    if one.tool is not None and one.tool.kind == one.advice.tool:
        return "yes"
    return f"{'no: ' if one.note else ''}{tool_advice.NAMES[one.advice.tool]}"


def blows(one: Tool) -> str:
    """Those counted; of which part of its firing where not of all."""
    if not one.counted_h:
        return ""
    part = "" if one.counted_h > 0.995 * one.firing_h else f" (in {100 * one.counted_h / one.firing_h:.0f} %)"
    return f"{one.blows:,.0f}{part}"


def day(one: Tool) -> str:
    return (
        "unknown"
        if one.fitted is None
        else _day(one.fitted)
        if one.start_known
        else f"before {_day(one.fitted)}"
    )


def fate(one: Tool) -> str:
    if one.removed is None:
        return "in use"
    return f"{_day(one.removed)}, {one.reason or 'no reason told'}"


def mix(one: Tool) -> str:
    return ", ".join(f"{who} {100 * share:.0f} %" for who, share in one.mix().items())


def lasts(one: Group) -> tuple[str, str]:
    """Median life and its limits; open where too few have ended to tell."""
    hours_, *limits = ("open" if value is None else hours(value) for value in one.median)
    if one.median.hours is None:
        return "not reached", ""
    return hours_, "too few" if limits == ["open", "open"] else " to ".join(limits)


def _day(at: Instant) -> str:
    return instant.text(at)[:10]
