"""Sections of the report on hammers: usage, wear and tools; and their sentences, which the terminal shows too."""

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Final

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.charts.series import draw_readings
from strikewatch.review.report.content import (
    Figure,
    InspectedHammer,
    UsageLine,
    UsagePart,
    UsageTable,
    WearAndTools,
    WearReading,
)
from strikewatch.review.report.wording import hours, join_names, plural
from strikewatch.review.statistics.lifetimes import MIN_READINGS, LimitCrossing
from strikewatch.review.usage import MEASURES
from strikewatch.review.wear import advice
from strikewatch.review.wear.advice import PRACTICE
from strikewatch.review.wear.condition import Condition, FittedTool
from strikewatch.review.wear.inspections import HammerWear, MeasuredLength
from strikewatch.review.wear.tools import Group, Tool

if TYPE_CHECKING:
    import pandas as pd


def not_known(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers of a table of USAGE with the same unknown measures."""
    return _sentences(table, "not_known", "Not known for")


def less_certain(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers with the same measures that are only inferred."""
    return _sentences(table[table["amount"] > 0], "less_certain", "Less certain for")


def _sentences(table: "pd.DataFrame", column: str, head: str) -> Iterator[str]:
    by_reasons: dict[tuple[tuple[str, tuple[str, ...]], ...], list[str]] = {}
    for hammer, of_hammer in table[table[column] != ""].groupby("hammer", sort=True):
        reasons = tuple(
            (str(reason), tuple(map(str, rows["measure"])))
            for reason, rows in of_hammer.groupby(column, sort=False)
        )
        by_reasons.setdefault(reasons, []).append(str(hammer))
    for reasons, hammers in by_reasons.items():
        listed = "; ".join(
            f"{join_names([*map(label_in_sentence, names)])} ({why})" for why, names in reasons
        )
        yield f"{head} {join_names(hammers)}: {listed}."


def label_in_sentence(measure: str) -> str:
    """Return a measure's label for use within a sentence."""
    label = MEASURES[measure].label
    return label[:1].lower() + label[1:]


def _batched(names: Iterable[str], size: int) -> Iterator[list[str]]:
    rest = iter(names)
    while batch := list(islice(rest, size)):
        yield batch


MAX_COLUMNS: Final = 6
"""Hammers in one table of usage: more do not fit on paper."""


def usage_part(table: "pd.DataFrame") -> UsagePart | None:
    """Return the section from one site's rows of a table of USAGE; None if there are none."""
    if not len(table):
        return None
    known = table[table["not_known"] == ""]
    cells = {
        (hammer, measure): (float(amount), float(over_h))
        for hammer, measure, amount, over_h in zip(
            *(known[name].tolist() for name in ("hammer", "measure", "amount", "over_h")), strict=True
        )
    }
    hammers = sorted({hammer for hammer, _ in cells})
    totals: dict[str, tuple[float, float]] = {}
    for (_, name), (amount, over_h) in cells.items():
        before = totals.get(name, (0.0, 0.0))
        totals[name] = before[0] + amount, before[1] + over_h
    names = [name for name in MEASURES if name in totals]
    none = [label_in_sentence(name) for name in names if not totals[name][0] > 0]
    tables = [
        UsageTable(
            columns,
            [
                UsageLine(
                    MEASURES[name].title,
                    [_usage_cell(name, cells.get((hammer, name))) for hammer in columns],
                    "" if name == "firing_h" else _rate(*totals[name]),
                )
                for name in names
                if totals[name][0] > 0
            ],
        )
        for columns in _batched(hammers, MAX_COLUMNS)
    ]
    none_words = f"None on any hammer: {', '.join(none)}." if none else ""
    return UsagePart(tables, none_words, [*not_known(table), *less_certain(table)])


def _usage_cell(measure: str, total: tuple[float, float] | None) -> tuple[str, str]:
    """Return the total and the rate per firing hour; empty where not known, or of no use."""
    if total is None:
        return "", ""
    return format_number(total[0]), "" if measure == "firing_h" or not total[0] > 0 else _rate(*total)


def _rate(amount: float, over_h: float) -> str:
    return format_number(amount / over_h) if over_h > 0 else "–"


SURVIVAL_NOTE: Final = (
    "Median life: the hours of firing after which half of the tools are worn, broken or lost (Kaplan-Meier). Tools in "
    "use or swapped count as still alive; tools whose start is not known do not count."
)
VERDICTS: Final = {
    "reuse": "Reuse the bushing.",
    "turn": "Turn the bushing.",
    "replace": "Replace the bushing.",
}


def describe_inspection(wear: HammerWear) -> str:
    return f"inspected {_day(wear.inspected)}, {wear.hours:,.1f} operating hours on record"


def bushing_verdict(wear: HammerWear) -> str:
    """Say what to do with the lower bushing."""
    return (
        VERDICTS[wear.bushing.verdict]
        if wear.bushing.verdict
        else "Lower bushing: not enough readings to decide."
    )


def bushing_reason(wear: HammerWear) -> str:
    """Give the reason of the verdict; if the grooves decide, say that this is common practice."""
    return f"{wear.bushing.why} {PRACTICE}" if wear.groove else wear.bushing.why


def describe_reading(length: MeasuredLength) -> str:
    """Describe the latest reading against its limit."""
    last = length.readings[-1]
    what = (
        length.measure.words
        if length.measure.name == "bore_mm"
        else f"{tool_name(length)}: {length.measure.words}"
    )
    sentence = f"{what} {last.value_mm:g} mm on {_day(last.at)} ({plural(len(length.readings), 'reading')})"
    return f"{sentence[0].upper()}{sentence[1:]}. {length.decision.why if length.in_use else 'It is no longer fitted.'}"


def describe_trend(length: MeasuredLength) -> list[str]:
    """Describe the trend of the readings and when it reaches the limit: as intervals in hours, never as a date."""
    if length.trend is None:
        few = f"Too few readings for a trend: it needs {MIN_READINGS} at different operating hours."
        return [few] if length.in_use else []
    slope = f"Trend: {length.trend.slope_mm_h * 100:+.3g} mm per 100 operating hours"
    if not length.in_use:
        return [f"{slope}."]
    _, lower, upper = length.trend.at(length.hours)
    sentences = [f"{slope}; a reading now would be {lower:.1f} to {upper:.1f} mm (95 %)."]
    return sentences if length.crossing is None else [*sentences, _describe_crossing(length, length.crossing)]


def _describe_crossing(length: MeasuredLength, crossing: LimitCrossing) -> str:
    """Say in how many operating hours from now the trend reaches the limit."""
    line, first, last = (None if hour is None else max(0.0, hour - length.hours) for hour in crossing)
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


def tool_name(tool: Tool | MeasuredLength | None) -> str:
    """Name a tool by its type, material and serial number."""
    if tool is None:
        return "·"
    kind = advice.TOOL_NAMES.get(tool.kind, tool.kind) if tool.kind else "unknown tool"
    material = getattr(tool, "material", None)
    return " ".join(filter(None, [f"{kind}," if material else kind, material, tool.serial]))


def describe_work(fitted: FittedTool) -> str:
    return advice.describe_work(fitted.work) if fitted.work else ""


def advised_tool(fitted: FittedTool) -> str:
    """Say whether the fitted tool is the advised one, or which tool is."""
    if fitted.advice is None:
        return ""
    if fitted.tool is not None and fitted.tool.kind == fitted.advice.tool:
        return "yes"
    return f"{'no: ' if fitted.note else ''}{advice.TOOL_NAMES[fitted.advice.tool]}"


def blow_count(tool: Tool) -> str:
    """Format the counted blows, with the share of the firing in which they were counted if not all of it."""
    if not tool.counted_h:
        return ""
    part = (
        ""
        if tool.counted_h > 0.995 * tool.firing_h
        else f" (in {100 * tool.counted_h / tool.firing_h:.0f} %)"
    )
    return f"{tool.blows:,.0f}{part}"


def fitted_since(tool: Tool) -> str:
    return (
        "unknown"
        if tool.fitted is None
        else _day(tool.fitted)
        if tool.start_known
        else f"before {_day(tool.fitted)}"
    )


def removal(tool: Tool) -> str:
    if tool.removed is None:
        return "in use"
    return f"{_day(tool.removed)}, {tool.reason or 'no reason given'}"


def operator_shares(tool: Tool) -> str:
    return ", ".join(f"{who} {100 * share:.0f} %" for who, share in tool.operator_shares().items())


def median_life(group: Group) -> tuple[str, str]:
    """Return the median life and its limits; open if too few tools have ended."""
    hours_, *limits = ("open" if value is None else hours(value) for value in group.median)
    if group.median.hours is None:
        return "not reached", ""
    return hours_, "too few" if limits == ["open", "open"] else " to ".join(limits)


def _day(at: Instant) -> str:
    return instant.text(at)[:10]


def condition_part(condition: Condition, anchor: str) -> WearAndTools | None:
    """Return one site's section, or None if nothing is recorded. Ids in charts begin with `anchor`."""
    if not condition:
        return None
    return WearAndTools(
        [_inspected(wear, f"{anchor}-w{number}") for number, wear in enumerate(condition.worn, 1)], condition
    )


def _inspected(wear: HammerWear, anchor: str) -> InspectedHammer:
    shown = [length for length in wear.measured if length.in_use]
    return InspectedHammer(
        wear.hammer,
        describe_inspection(wear),
        bushing_verdict(wear),
        bushing_reason(wear),
        wear.bushing.verdict in ("turn", "replace"),
        [_reading(length, f"{anchor}-{length.measure.name}", wear.hammer) for length in shown],
    )


def _reading(length: MeasuredLength, anchor: str, hammer: str) -> WearReading:
    figure = None
    if length.trend is not None:
        points = [(reading.hours, reading.value_mm) for reading in length.readings]
        title = f"{hammer}: {length.measure.words}"
        svg = draw_readings(
            anchor, points, length.hours, length.trend, length.limit_mm, length.crossing, title
        )
        figure = Figure(svg, " ".join(describe_trend(length)))
    return WearReading(describe_reading(length), "" if figure else " ".join(describe_trend(length)), figure)
