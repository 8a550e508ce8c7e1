"""Determine the condition of hammers and tools from EXPOSURE and events: wear, tool lives, and suitable tools."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.review.wear import tool_advice
from strikewatch.review.wear.inspections import HammerWear, MeasuredLength, inspected_hammers
from strikewatch.review.wear.limits import PRACTICE, Settings
from strikewatch.review.wear.tool_advice import Advice
from strikewatch.review.wear.tools import BY, Group, Tool, groups, tools

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

        def selected(one: HammerWear | Tool | FittedTool) -> bool:
            return site in (None, one.site) and hammer in (None, one.hammer)

        return Condition(
            [one for one in self.worn if selected(one)],
            [one for one in self.tools if selected(one)],
            [one for one in self.groups if site in (None, one.site)],
            [one for one in self.fitted if selected(one)],
        )

    def hammers(self) -> list[str]:
        """Return the hammers with records, sorted."""
        every = {one.hammer for one in self.worn} | {one.hammer for one in self.tools}
        return sorted(every | {one.hammer for one in self.fitted})

    def __bool__(self) -> bool:
        return bool(self.worn or self.tools or self.fitted)


def condition(
    exposure: "pd.DataFrame", events: Iterable[Event], limits_of: Callable[[Key], Settings]
) -> Condition:
    """Determine the condition of all hammers with records. `limits_of`: a hammer's limits by its operator's manual."""
    every = [event for event in events if event.kind in KINDS]
    keys = {(event.site, event.hammer) for event in every}
    changes = [event for event in every if event.kind == "tool_change"]
    with_tools = {(event.site, event.hammer) for event in changes}
    own = [
        (site, hammer) in with_tools
        for site, hammer in zip(exposure["site"], exposure["hammer"], strict=True)
    ]
    found = tools(exposure[own], changes)
    in_use = {(one.site, one.hammer): one for one in found if one.removed is None and one.kind}
    work = {
        (event.site, event.hammer): {name: event.fields.get(name) for name in WORK}
        for event in sorted(every, key=lambda one: one.time)
        if event.kind == "work"
    }
    return Condition(
        inspected_hammers(exposure, every, {key: limits_of(key) for key in keys}),
        found,
        [group for by in BY for group in groups(found, by)],
        [_fitted(key, in_use.get(key), work.get(key)) for key in sorted(in_use.keys() | work.keys())],
    )


def _fitted(key: Key, tool: Tool | None, work: Mapping[str, Any] | None) -> FittedTool:
    if work is None:
        return FittedTool(*key, tool, None, None, None)
    return FittedTool(
        *key,
        tool,
        work,
        tool_advice.advise(work),
        tool_advice.mismatch_note(tool.kind if tool else None, work),
    )


def wear_record(one: HammerWear) -> dict[str, Any]:
    """Return a hammer's wear as one JSON object with units in its names."""
    return {
        "site": one.site,
        "hammer": one.hammer,
        "operating_h": round(one.hours, 3),
        "inspected": instant.text(one.inspected),
        "bushing": one.groove,
        "turned_before": one.turned_before,
        "decision": one.bushing.verdict,
        "why": one.bushing.why,
        "readings": [_measured(each) for each in one.measured],
    }


def _measured(one: MeasuredLength) -> dict[str, Any]:
    trend, meeting = one.trend, one.meeting
    record: dict[str, Any] = {
        "what": one.measure.name,
        "tool": one.kind,
        "serial": one.serial,
        "in_use": one.in_use,
        "operating_h": round(one.hours, 3),
        "values": [
            {
                "time": instant.text(each.at),
                "operating_h": round(each.hours, 3),
                one.measure.name: each.value_mm,
            }
            for each in one.readings
        ],
        "limit_mm": one.limit_mm,
        "limit_reached": None if one.decision.verdict is None else one.decision.verdict == "replace",
        "trend": None,
        "limit_met": None,
    }
    if trend is not None:
        line, lower, upper = trend.at(one.hours)
        record["trend"] = {
            "mm_per_100_h": trend.slope_mm_h * 100,
            "now_mm": line,
            "now_lower_mm": lower,
            "now_upper_mm": upper,
        }
    if meeting is not None:
        names = ("line_in_h", "first_in_h", "last_in_h")
        record["limit_met"] = {
            name: None if hour is None else hour - one.hours
            for name, hour in zip(names, meeting, strict=True)
        }
    return record


def tool_record(one: Tool) -> dict[str, Any]:
    """Return a tool and its life so far as one JSON object."""
    return {
        "site": one.site,
        "hammer": one.hammer,
        "tool": one.kind,
        "material": one.material,
        "serial": one.serial,
        "fitted": _instant(one.fitted),
        "removed": _instant(one.removed),
        "reason": one.reason,
        "start_known": one.start_known,
        "ended": one.ended,
        "firing_h": one.firing_h,
        "blows": round(one.blows) if one.counted_h else None,
        "blows_counted_h": one.counted_h,
        "operators": one.operator_shares(),
    }


def group_record(one: Group) -> dict[str, Any]:
    """Return the life of a group of tools as one JSON object, with the whole survival curve."""
    median = one.median
    columns = (one.lasting.hours, one.lasting.share, one.lasting.lower, one.lasting.upper)
    return {
        "site": one.site,
        "by": one.by,
        "name": one.name,
        "tools": one.tools,
        "ended": one.ended,
        "firing_h": one.firing_h,
        "median_h": median.hours,
        "median_lower_h": median.lower,
        "median_upper_h": median.upper,
        "curve": [
            {"firing_h": hour, "share": share, "lower": _known(low), "upper": _known(high)}
            for hour, share, low, high in zip(*(column.tolist() for column in columns), strict=True)
        ],
    }


def fitted_record(one: FittedTool) -> dict[str, Any]:
    """Return the fitted tool, the work and the advice as one JSON object."""
    return {
        "site": one.site,
        "hammer": one.hammer,
        "tool": one.tool.kind if one.tool else None,
        "serial": one.tool.serial if one.tool else None,
        "firing_h": one.tool.firing_h if one.tool else None,
        "work": dict(one.work) if one.work else None,
        "advised": one.advice.tool if one.advice else None,
        "why": one.advice.why if one.advice else None,
        "note": one.note,
        "source": PRACTICE if one.advice else None,
    }


def _instant(at: Instant | None) -> str | None:
    return None if at is None else instant.text(at)


def _known(value: float) -> float | None:
    return value if value == value else None
