"""Build the report's section on wear and tools, and its sentences, which the terminal shows too."""

from typing import Final

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.review.charts.series import draw_readings
from strikewatch.review.report.content import (
    Figure,
    InspectedHammer,
    WearAndTools,
    WearReading,
)
from strikewatch.review.report.wording import hours, plural
from strikewatch.review.statistics.trend import MIN_READINGS, LimitCrossing
from strikewatch.review.wear import tool_advice
from strikewatch.review.wear.condition import Condition, FittedTool
from strikewatch.review.wear.inspections import HammerWear, MeasuredLength
from strikewatch.review.wear.limits import PRACTICE
from strikewatch.review.wear.tools import Group, Tool

SURVIVAL_NOTE: Final = (
    "Median life: the hours of firing after which half of the tools are worn, broken or lost (Kaplan-Meier). Tools in "
    "use or swapped count as still alive; tools whose start is not known do not count."
)
VERDICTS: Final = {
    "reuse": "Reuse the bushing.",
    "turn": "Turn the bushing.",
    "replace": "Replace the bushing.",
}


def describe_inspection(one: HammerWear) -> str:
    return f"inspected {_day(one.inspected)}, {one.hours:,.1f} operating hours on record"


def bushing_verdict(one: HammerWear) -> str:
    """Say what to do with the lower bushing."""
    return (
        VERDICTS[one.bushing.verdict]
        if one.bushing.verdict
        else "Lower bushing: not enough readings to decide."
    )


def bushing_reason(one: HammerWear) -> str:
    """Give the reason of the verdict; if the grooves decide, say that this is common practice."""
    return f"{one.bushing.why} {PRACTICE}" if one.groove else one.bushing.why


def describe_reading(one: MeasuredLength) -> str:
    """Describe the latest reading against its limit."""
    last = one.readings[-1]
    what = one.measure.words if one.measure.name == "bore_mm" else f"{tool_name(one)}: {one.measure.words}"
    sentence = f"{what} {last.value_mm:g} mm on {_day(last.at)} ({plural(len(one.readings), 'reading')})"
    return f"{sentence[0].upper()}{sentence[1:]}. {one.decision.why if one.in_use else 'It is no longer fitted.'}"


def describe_trend(one: MeasuredLength) -> list[str]:
    """Describe the trend of the readings and when it reaches the limit: as intervals in hours, never as a date."""
    if one.trend is None:
        few = f"Too few readings for a trend: it needs {MIN_READINGS} at different operating hours."
        return [few] if one.in_use else []
    slope = f"Trend: {one.trend.slope_mm_h * 100:+.3g} mm per 100 operating hours"
    if not one.in_use:
        return [f"{slope}."]
    _, lower, upper = one.trend.at(one.hours)
    sentences = [f"{slope}; a reading now would be {lower:.1f} to {upper:.1f} mm (95 %)."]
    return sentences if one.meeting is None else [*sentences, _meets(one, one.meeting)]


def _meets(one: MeasuredLength, meeting: LimitCrossing) -> str:
    """Say in how many operating hours from now the trend reaches the limit."""
    line, first, last = (None if hour is None else max(0.0, hour - one.hours) for hour in meeting)
    if last == 0:
        return "According to the trend, the limit has been reached."
    if first is None:
        return "The trend does not reach the limit."
    early = "now" if first == 0 else f"in {hours(first)}"
    between = (
        f"95 %: {early} or later, without an upper bound"
        if last is None
        else f"95 %: {early} to {hours(last)}"
    )
    if line is None:
        return f"The trend does not reach the limit, but readings may ({between})."
    about = "has been reached by now" if line == 0 else f"will be reached in about {hours(line)} of operation"
    return f"According to the trend, the limit {about} ({between})."


def tool_name(one: Tool | MeasuredLength | None) -> str:
    """Name a tool by its type, material and serial number."""
    if one is None:
        return "·"
    kind = tool_advice.NAMES.get(one.kind, one.kind) if one.kind else "unknown tool"
    material = getattr(one, "material", None)
    return " ".join(filter(None, [f"{kind}," if material else kind, material, one.serial]))


def describe_work(one: FittedTool) -> str:
    return tool_advice.describe_work(one.work) if one.work else ""


def advised_tool(one: FittedTool) -> str:
    """Say whether the fitted tool is the advised one, or which tool is."""
    if one.advice is None:
        return ""
    if one.tool is not None and one.tool.kind == one.advice.tool:
        return "yes"
    return f"{'no: ' if one.note else ''}{tool_advice.NAMES[one.advice.tool]}"


def blow_count(one: Tool) -> str:
    """Format the counted blows, with the share of the firing in which they were counted if not all of it."""
    if not one.counted_h:
        return ""
    part = "" if one.counted_h > 0.995 * one.firing_h else f" (in {100 * one.counted_h / one.firing_h:.0f} %)"
    return f"{one.blows:,.0f}{part}"


def fitted_since(one: Tool) -> str:
    return (
        "unknown"
        if one.fitted is None
        else _day(one.fitted)
        if one.start_known
        else f"before {_day(one.fitted)}"
    )


def removal(one: Tool) -> str:
    if one.removed is None:
        return "in use"
    return f"{_day(one.removed)}, {one.reason or 'no reason given'}"


def operator_shares(one: Tool) -> str:
    return ", ".join(f"{who} {100 * share:.0f} %" for who, share in one.operator_shares().items())


def median_life(one: Group) -> tuple[str, str]:
    """Return the median life and its limits; open if too few tools have ended."""
    hours_, *limits = ("open" if value is None else hours(value) for value in one.median)
    if one.median.hours is None:
        return "not reached", ""
    return hours_, "too few" if limits == ["open", "open"] else " to ".join(limits)


def _day(at: Instant) -> str:
    return instant.text(at)[:10]


def condition_part(found: Condition, anchor: str) -> WearAndTools | None:
    """Return one site's section, or None if nothing is recorded. Ids in charts begin with `anchor`."""
    if not found:
        return None
    return WearAndTools(
        [_inspected(one, f"{anchor}-w{number}") for number, one in enumerate(found.worn, 1)], found
    )


def _inspected(one: HammerWear, ident: str) -> InspectedHammer:
    shown = [each for each in one.measured if each.in_use]
    return InspectedHammer(
        one.hammer,
        describe_inspection(one),
        bushing_verdict(one),
        bushing_reason(one),
        one.bushing.verdict in ("turn", "replace"),
        [_reading(each, f"{ident}-{each.measure.name}", one.hammer) for each in shown],
    )


def _reading(one: MeasuredLength, ident: str, hammer: str) -> WearReading:
    drawn = None
    if one.trend is not None:
        points = [(each.hours, each.value_mm) for each in one.readings]
        title = f"{hammer}: {one.measure.words}"
        svg = draw_readings(ident, points, one.hours, one.trend, one.limit_mm, one.meeting, title)
        drawn = Figure(svg, " ".join(describe_trend(one)))
    return WearReading(describe_reading(one), "" if drawn else " ".join(describe_trend(one)), drawn)
