"""Determine the condition of hammers and tools from EXPOSURE and events: wear, tool lives, and suitable tools."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.review.wear.advice import PRACTICE, Advice, Settings, advise_tool, mismatch_note
from strikewatch.review.wear.inspections import HammerWear, MeasuredLength, inspected_hammers
from strikewatch.review.wear.tools import GROUPINGS, Group, Tool, groups, tools

if TYPE_CHECKING:
    import pandas as pd

KINDS: Final = ("inspection", "tool_change", "work")
"""Kinds of events that the condition is computed from."""
WORK: Final = ("work", "hard", "abrasive", "cut_edge")
"""Fields of a `work` event; None if not given."""


@dataclass(frozen=True, slots=True)
class FittedTool:
    """A hammer's tool in use and its latest recorded work; None if not recorded.

    `note`: why the tool does not suit the work; None if it does, or if that is not known.
    """

    site: str
    hammer: str
    tool: Tool | None
    work: Mapping[str, Any] | None
    advice: Advice | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Condition:
    """Wear, tools and advice of hammers; empty if nothing is recorded."""

    worn: Sequence[HammerWear] = ()
    tools: Sequence[Tool] = ()
    groups: Sequence[Group] = ()
    fitted: Sequence[FittedTool] = ()

    def of(self, site: str | None = None, hammer: str | None = None) -> "Condition":
        """Return the part of one site, one hammer or both; tool lives are always of whole sites."""

        def selected(record: HammerWear | Tool | FittedTool) -> bool:
            return site in (None, record.site) and hammer in (None, record.hammer)

        return Condition(
            [wear for wear in self.worn if selected(wear)],
            [tool for tool in self.tools if selected(tool)],
            [group for group in self.groups if site in (None, group.site)],
            [fitted for fitted in self.fitted if selected(fitted)],
        )

    def hammers(self) -> list[str]:
        """Return the hammers with records, sorted."""
        records: list[HammerWear | Tool | FittedTool] = [*self.worn, *self.tools, *self.fitted]
        return sorted({record.hammer for record in records})

    def __bool__(self) -> bool:
        return bool(self.worn or self.tools or self.fitted)


def condition(
    exposure: "pd.DataFrame", events: Iterable[Event], limits_of: Callable[[Key], Settings]
) -> Condition:
    """Determine the condition of all hammers with records. `limits_of`: a hammer's limits by its operator's manual."""
    events_used = [event for event in events if event.kind in KINDS]
    keys = {(event.site, event.hammer) for event in events_used}
    changes = [event for event in events_used if event.kind == "tool_change"]
    with_tools = {(event.site, event.hammer) for event in changes}
    has_tools = [
        (site, hammer) in with_tools
        for site, hammer in zip(exposure["site"], exposure["hammer"], strict=True)
    ]
    all_tools = tools(exposure[has_tools], changes)
    in_use = {(tool.site, tool.hammer): tool for tool in all_tools if tool.removed is None and tool.kind}
    work = {
        (event.site, event.hammer): {name: event.fields.get(name) for name in WORK}
        for event in sorted(events_used, key=lambda event: event.time)
        if event.kind == "work"
    }
    return Condition(
        inspected_hammers(exposure, events_used, {key: limits_of(key) for key in keys}),
        all_tools,
        [group for grouping in GROUPINGS for group in groups(all_tools, grouping)],
        [_fitted(key, in_use.get(key), work.get(key)) for key in sorted(in_use.keys() | work.keys())],
    )


def _fitted(key: Key, tool: Tool | None, work: Mapping[str, Any] | None) -> FittedTool:
    if work is None:
        return FittedTool(*key, tool, None, None, None)
    return FittedTool(
        *key,
        tool,
        work,
        advise_tool(work),
        mismatch_note(tool.kind if tool else None, work),
    )


def wear_record(wear: HammerWear) -> dict[str, Any]:
    """Return a hammer's wear as one JSON object with units in its names."""
    return {
        "site": wear.site,
        "hammer": wear.hammer,
        "operating_h": round(wear.hours, 3),
        "inspected": instant.text(wear.inspected),
        "bushing": wear.groove,
        "turned_before": wear.turned_before,
        "decision": wear.bushing.verdict,
        "why": wear.bushing.why,
        "readings": [_length_record(length) for length in wear.measured],
    }


def _length_record(length: MeasuredLength) -> dict[str, Any]:
    trend, crossing = length.trend, length.crossing
    record: dict[str, Any] = {
        "what": length.measure.name,
        "tool": length.kind,
        "serial": length.serial,
        "in_use": length.in_use,
        "operating_h": round(length.hours, 3),
        "values": [
            {
                "time": instant.text(reading.at),
                "operating_h": round(reading.hours, 3),
                length.measure.name: reading.value_mm,
            }
            for reading in length.readings
        ],
        "limit_mm": length.limit_mm,
        "limit_reached": None if length.decision.verdict is None else length.decision.verdict == "replace",
        "trend": None,
        "limit_met": None,
    }
    if trend is not None:
        line, lower, upper = trend.at(length.hours)
        record["trend"] = {
            "mm_per_100_h": trend.slope_mm_h * 100,
            "now_mm": line,
            "now_lower_mm": lower,
            "now_upper_mm": upper,
        }
    if crossing is not None:
        names = ("line_in_h", "first_in_h", "last_in_h")
        record["limit_met"] = {
            name: None if hour is None else hour - length.hours
            for name, hour in zip(names, crossing, strict=True)
        }
    return record


def tool_record(tool: Tool) -> dict[str, Any]:
    """Return a tool and its life so far as one JSON object."""
    return {
        "site": tool.site,
        "hammer": tool.hammer,
        "tool": tool.kind,
        "material": tool.material,
        "serial": tool.serial,
        "fitted": _text_or_none(tool.fitted),
        "removed": _text_or_none(tool.removed),
        "reason": tool.reason,
        "start_known": tool.start_known,
        "ended": tool.ended,
        "firing_h": tool.firing_h,
        "blows": round(tool.blows) if tool.counted_h else None,
        "blows_counted_h": tool.counted_h,
        "operators": tool.operator_shares(),
    }


def group_record(group: Group) -> dict[str, Any]:
    """Return the life of a group of tools as one JSON object, with the whole survival curve."""
    median = group.median
    columns = (group.survival.hours, group.survival.share, group.survival.lower, group.survival.upper)
    return {
        "site": group.site,
        "by": group.by,
        "name": group.name,
        "tools": group.tools,
        "ended": group.ended,
        "firing_h": group.firing_h,
        "median_h": median.hours,
        "median_lower_h": median.lower,
        "median_upper_h": median.upper,
        "curve": [
            {"firing_h": hour, "share": share, "lower": _known(low), "upper": _known(high)}
            for hour, share, low, high in zip(*(column.tolist() for column in columns), strict=True)
        ],
    }


def fitted_record(fitted: FittedTool) -> dict[str, Any]:
    """Return the fitted tool, the work and the advice as one JSON object."""
    return {
        "site": fitted.site,
        "hammer": fitted.hammer,
        "tool": fitted.tool.kind if fitted.tool else None,
        "serial": fitted.tool.serial if fitted.tool else None,
        "firing_h": fitted.tool.firing_h if fitted.tool else None,
        "work": dict(fitted.work) if fitted.work else None,
        "advised": fitted.advice.tool if fitted.advice else None,
        "why": fitted.advice.why if fitted.advice else None,
        "note": fitted.note,
        "source": PRACTICE if fitted.advice else None,
    }


def _text_or_none(at: Instant | None) -> str | None:
    return None if at is None else instant.text(at)


def _known(value: float) -> float | None:
    return value if value == value else None
