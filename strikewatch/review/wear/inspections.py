"""Evaluate the inspections of each hammer: wear of bushing and tool over operating hours, and what to do.

The readings of a bushing start again with an inspection that says `bushing_new`, or that shows a newer bushing than
before: its grooves are back, or it was turned before and is not any more. A reading of a tool belongs to the tool
fitted at that time.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.review.statistics.lifetimes import LimitCrossing, Trend, fit_trend
from strikewatch.review.wear import advice as wear
from strikewatch.review.wear.advice import GROOVES, Decision, Settings

if TYPE_CHECKING:
    import pandas as pd


class Measure(NamedTuple):
    """A measured length: field, name in words, setting of its limit, and whether wear reduces it."""

    name: str
    words: str
    limit: str
    falling: bool


MEASURES: Final = (
    Measure("bore_mm", "bore of the lower bushing", "bore_limit_mm", falling=False),
    Measure("tool_mm", "diameter", "tool_diameter_limit_mm", falling=True),
    Measure("tool_length_mm", "length", "tool_length_limit_mm", falling=True),
)


class Reading(NamedTuple):
    """One reading with its time and operating hours: all recorded hours of the hammer for a bushing, or the hours with
    this tool in the hammer for a tool."""

    at: Instant
    hours: float
    value_mm: float


@dataclass(frozen=True, slots=True)
class MeasuredLength:
    """Readings of one length of the bushing or of one tool, oldest first.

    `in_use`: the bushing or tool is fitted now. `hours`: operating hours now, on the scale of the readings. `trend`:
    None with too few readings. `crossing`: when the trend reaches the limit; None without a trend or a limit.
    """

    measure: Measure
    serial: str | None
    kind: str | None
    in_use: bool
    readings: Sequence[Reading]
    hours: float
    limit_mm: float | None
    decision: Decision
    trend: Trend | None
    crossing: LimitCrossing | None


@dataclass(frozen=True, slots=True)
class HammerWear:
    """A hammer's recorded operating hours, its last inspection, and the verdict on its bushing."""

    site: str
    hammer: str
    hours: float
    inspected: Instant
    groove: str | None
    turned_before: bool | None
    bushing: Decision
    measured: Sequence[MeasuredLength]


class OperatingHours:
    """Recorded operating hours of one hammer, from its rows of EXPOSURE."""

    def __init__(self, exposure: "pd.DataFrame") -> None:
        exposure = exposure.sort_values("start")
        self._starts, self._ends = (
            exposure[name].dt.as_unit("ns").astype("int64").tolist() for name in ("start", "end")
        )
        self._hours = (exposure["operating_s"] / 3600).tolist()
        self._before = np.concatenate([[0.0], np.cumsum(self._hours)]).tolist()

    def at(self, instant: Instant) -> float:
        """Return the hours up to an instant; a stretch that contains it counts by its share of time."""
        index = bisect_right(self._starts, instant) - 1
        if index < 0:
            return 0.0
        length = self._ends[index] - self._starts[index]
        share = min(1.0, (instant - self._starts[index]) / length) if length > 0 else 1.0
        return float(self._before[index] + share * self._hours[index])

    def now(self) -> float:
        return float(self._before[-1])


def inspected_hammers(
    exposure: "pd.DataFrame",
    events: Iterable[Event],
    limits_of: Mapping[Key, Settings],
) -> list[HammerWear]:
    """Return each inspected hammer, by site and hammer. `limits_of` must have the limits of each of them."""
    inspected: dict[Key, list[Event]] = {}
    fitted: dict[Key, list[Event]] = {}
    for event in sorted(events, key=lambda event: event.time):
        of_kind = {"inspection": inspected, "tool_change": fitted}.get(event.kind)
        if of_kind is not None:
            of_kind.setdefault((event.site, event.hammer), []).append(event)
    worn = []
    for key, inspections in sorted(inspected.items()):
        at = (exposure["site"] == key[0]) & (exposure["hammer"] == key[1])
        worn.append(
            _worn(key, OperatingHours(exposure[at]), inspections, fitted.get(key, []), limits_of[key])
        )
    return worn


def _worn(
    key: Key, clock: OperatingHours, inspections: list[Event], fitted: list[Event], limits: Settings
) -> HammerWear:
    bushing = inspections[_bushing_start(inspections) :]
    checked = [event for event in bushing if {"bushing", "bore_mm"} & event.fields.keys()]
    last = checked[-1].fields if checked else {}
    answers = [event.fields["turned_before"] for event in checked if "turned_before" in event.fields]
    turned = any(answers) if answers else None
    bore = next((event.fields["bore_mm"] for event in reversed(checked) if "bore_mm" in event.fields), None)
    decision = wear.lower_bushing(last.get("bushing"), turned, bore, limits.bore_limit_mm)
    measured = [_measured(MEASURES[0], None, bushing, clock.at, clock.now(), limits)]
    for tool in _fitted(inspections, fitted, clock):
        for measure in MEASURES[1:]:

            def hours_at(instant: Instant, tool: _Tool = tool) -> float:
                return tool.fitted_hours(clock.at(instant))

            now = tool.fitted_hours(clock.now())
            measured.append(_measured(measure, tool, tool.events, hours_at, now, limits))
    shown = [length for length in measured if length is not None]
    return HammerWear(*key, clock.now(), inspections[-1].time, last.get("bushing"), turned, decision, shown)


def _bushing_start(inspections: Sequence[Event]) -> int:
    """Return the index of the first inspection of the bushing that is fitted now."""
    first, rank, turned = 0, -1, False
    for number, event in enumerate(inspections):
        fields = event.fields
        now = GROOVES.index(fields["bushing"]) if "bushing" in fields else rank
        unturned = fields.get("turned_before") is False
        if fields.get("bushing_new") or (unturned and (turned or now < rank)):
            first, turned = number, False
        rank, turned = now, fields.get("turned_before", turned)
    return first


class _Tool:
    """A tool with its inspections on one hammer, and its operating hours there."""

    def __init__(self, name: str | None, kind: str | None) -> None:
        self.name, self.kind = name, kind
        self.in_use = False
        self.events: list[Event] = []
        self.stays: list[tuple[float, float]] = []

    def fitted_hours(self, hammer_hours: float) -> float:
        """Return the part of the hammer's hours with this tool fitted."""
        return sum(max(0.0, min(hammer_hours, stop) - start) for start, stop in self.stays)


def _fitted(inspections: Sequence[Event], changes: Sequence[Event], clock: OperatingHours) -> list[_Tool]:
    """Return the inspected tools, the one in use last."""
    edges = [-math.inf, *(clock.at(event.time) for event in changes), math.inf]
    tools: dict[str | int, _Tool] = {}
    stays: list[_Tool] = []
    for index, start in enumerate(edges[:-1]):
        fields = changes[index - 1].fields if index else {}
        name = fields.get("serial")
        tool = tools.setdefault(name or index, _Tool(name, fields.get("tool")))
        tool.stays.append((max(start, 0.0), edges[index + 1]))
        stays.append(tool)
    stays[-1].in_use = True
    times = [event.time for event in changes]
    for event in inspections:
        stays[bisect_right(times, event.time)].events.append(event)
    return sorted((tool for tool in tools.values() if tool.events), key=lambda tool: tool.in_use)


def _measured(
    measure: Measure,
    tool: _Tool | None,
    events: Iterable[Event],
    hours_at: Callable[[Instant], float],
    now: float,
    limits: Settings,
) -> MeasuredLength | None:
    """Return the readings of one length in these inspections, or None without any."""
    readings = [
        Reading(event.time, hours_at(event.time), event.fields[measure.name])
        for event in events
        if measure.name in event.fields
    ]
    if not readings:
        return None
    limit = getattr(limits, measure.limit)
    value = readings[-1].value_mm
    of_tool = measure.falling
    decision = wear.tool(measure.words, value, limit) if of_tool else wear.bore(value, limit)
    trend = fit_trend([reading.hours for reading in readings], [reading.value_mm for reading in readings])
    crossing = trend.crossing(limit, falling=measure.falling) if trend and limit is not None else None
    serial, kind, in_use = (tool.name, tool.kind, tool.in_use) if tool else (None, None, True)
    return MeasuredLength(measure, serial, kind, in_use, readings, now, limit, decision, trend, crossing)
