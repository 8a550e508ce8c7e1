"""Compute the lives of tools from tool changes and hours of firing.

A tool is identified by its serial number at its site, on any hammer; without one, each fitting is a separate tool. Its
life has ended when it was removed as worn, broken or lost; if it was swapped, or no reason was given, it may go on. The
start is not known for a tool that was on a hammer before its first recorded tool change, or that was fitted more than a
day before the hammer's first recorded work (our own choice): such tools are listed, but do not count in tool lives.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.statistics.lifetimes import MedianLife, SurvivalCurve, kaplan_meier

if TYPE_CHECKING:
    import pandas as pd

END_REASONS: Final = frozenset({"worn", "broken", "lost"})
"""Reasons of removal that end a tool's life."""
DAY: Final = 86_400 * SECOND
MAIN_SHARE: Final = 0.5
"""Share of a tool's hours above which an operator is named as its main operator."""
SEVERAL: Final = "several"


@dataclass(slots=True)
class Tool:
    """One tool: its current or last hammer, and its hours and blows.

    `fitted`: first recorded fitting; None if not known. `removed`: None while in use. `counted_h`: the part of
    `firing_h` in which blows were counted. `operators`: hours of firing by operator.
    """

    site: str
    hammer: str
    kind: str | None = None
    material: str | None = None
    serial: str | None = None
    fitted: Instant | None = None
    removed: Instant | None = None
    reason: str | None = None
    start_known: bool = True
    firing_h: float = 0.0
    counted_h: float = 0.0
    blows: float = 0.0
    operators: dict[str, float] = field(default_factory=dict)

    @property
    def ended(self) -> bool:
        return self.removed is not None and self.reason in END_REASONS

    def operator_shares(self) -> dict[str, float]:
        """Return each operator's share of the hours of firing, largest first."""
        total = sum(self.operators.values())
        shares = sorted(self.operators.items(), key=lambda share: (-share[1], share[0]))
        return {operator: hours / total for operator, hours in shares} if total else {}

    def main_operator(self) -> str | None:
        """Return the operator of most of the hours, or `several`; None if nobody was signed on for most of them."""
        operator, share = next(iter(self.operator_shares().items()), (UNASSIGNED, 1.0))
        return SEVERAL if share <= MAIN_SHARE else None if operator == UNASSIGNED else operator


@dataclass(frozen=True, slots=True)
class Group:
    """Tools of a site with the same value of `by`: how many, how many have ended, and their survival curve."""

    site: str
    by: str
    name: str
    tools: int
    ended: int
    firing_h: float
    survival: SurvivalCurve
    median: MedianLife


GROUPINGS: Final[dict[str, Callable[[Tool], str | None]]] = {
    "type": lambda tool: tool.kind,
    "type and material": lambda tool: tool.material and f"{tool.kind}, {tool.material}",
    "type and operator": lambda tool: (operator := tool.main_operator()) and f"{tool.kind}, {operator}",
}
"""Ways to group tools."""


def tools(exposure: "pd.DataFrame", changes: Iterable[Event]) -> list[Tool]:
    """Return every tool of EXPOSURE and of these tool changes, by site, hammer and first fitting."""
    by_key: dict[Key, list[Event]] = {}
    for event in sorted(changes, key=lambda event: event.time):
        by_key.setdefault((event.site, event.hammer), []).append(event)
    worked = {
        (str(site), str(hammer)): rows
        for (site, hammer), rows in exposure.sort_values("start").groupby(["site", "hammer"])
    }
    all_tools: dict[tuple[Any, ...], Tool] = {}
    for key in sorted(by_key.keys() | worked.keys()):
        changes_of_hammer = by_key.get(key, [])
        fittings = [Tool(*key, start_known=False), *map(_tool, changes_of_hammer)]
        for tool, event in zip(fittings, changes_of_hammer, strict=False):
            tool.removed, tool.reason = event.time, event.fields.get("reason")
        work = _pieces(worked[key]) if key in worked else []
        _assign_work(fittings, [event.time for event in changes_of_hammer], work)
        for number, tool in enumerate(fittings):
            if tool.fitted is None and not tool.firing_h:
                continue
            tool.start_known = tool.fitted is not None and (not work or tool.fitted >= work[0][0] - DAY)
            name = (tool.site, tool.serial) if tool.serial else (*key, number)
            all_tools[name] = _merge_fittings(all_tools[name], tool) if name in all_tools else tool
    return sorted(all_tools.values(), key=lambda tool: (tool.site, tool.hammer, tool.fitted or 0))


def _merge_fittings(fitting: Tool, other: Tool) -> Tool:
    """Merge two fittings of one tool: its last hammer, and the sum of both."""
    first, last = sorted((fitting, other), key=lambda tool: tool.fitted or 0)
    operators = dict(first.operators)
    for operator, hours in last.operators.items():
        operators[operator] = operators.get(operator, 0.0) + hours
    return replace(
        last,
        fitted=first.fitted,
        start_known=first.start_known and last.start_known,
        firing_h=first.firing_h + last.firing_h,
        counted_h=first.counted_h + last.counted_h,
        blows=first.blows + last.blows,
        operators=operators,
    )


Piece = tuple[Instant, Instant, float, float, str]
"""Start, end, hours of firing, blows (NaN: not counted), operator."""


def _pieces(exposure: "pd.DataFrame") -> list[Piece]:
    columns = (
        exposure["start"].dt.as_unit("ns").astype("int64").tolist(),
        exposure["end"].dt.as_unit("ns").astype("int64").tolist(),
        (exposure["firing_s"] / 3600).tolist(),
        exposure["blows"].tolist(),
        exposure["operator"].tolist(),
    )
    return list(zip(*columns, strict=True))


def _tool(event: Event) -> Tool:
    """Return the tool that a change fits."""
    fields = event.fields
    return Tool(
        event.site, event.hammer, fields["tool"], fields.get("material"), fields.get("serial"), event.time
    )


def _assign_work(fittings: Sequence[Tool], times: Sequence[Instant], work: Iterable[Piece]) -> None:
    """Assign work to fittings; a piece that spans a change, at most an hour long, is divided by time."""
    for start, end, firing_h, blows, operator in work:
        first, last = bisect_right(times, start), bisect_right(times, max(start, end - 1))
        for index in range(first, last + 1):
            begins = start if index == first else times[index - 1]
            stops = end if index == last else times[index]
            share = (stops - begins) / (end - start) if end > start else 1.0
            tool = fittings[index]
            tool.firing_h += share * firing_h
            tool.operators[operator] = tool.operators.get(operator, 0.0) + share * firing_h
            if blows == blows:
                tool.blows += share * blows
                tool.counted_h += share * firing_h


def groups(tools_: Iterable[Tool], grouping: str) -> list[Group]:
    """Return the lives of tools by one of GROUPINGS, for tools with a known start that have fired."""
    by_group: dict[tuple[str, str], list[Tool]] = {}
    for tool in tools_:
        name = GROUPINGS[grouping](tool)
        if name and tool.start_known and tool.firing_h:
            by_group.setdefault((tool.site, name), []).append(tool)
    return [_group(site, grouping, name, members) for (site, name), members in sorted(by_group.items())]


def _group(site: str, grouping: str, name: str, members: Sequence[Tool]) -> Group:
    hours, ended = [tool.firing_h for tool in members], [tool.ended for tool in members]
    curve = kaplan_meier(hours, ended)
    return Group(site, grouping, name, len(members), sum(ended), sum(hours), curve, curve.median())
