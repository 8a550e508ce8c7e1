"""Tools and how long they last: tool changes and hours of firing into lives, ended or still going on.

A tool is known by its serial at its site, on whichever hammer; without one, each fitting is a tool of its own. Its life
has ended when it came off worn, broken or lost; swapped, or for a reason not told, it may go on. What a hammer had on
before its first tool change on record has an unknown start, and so has what was fitted more than a day before the
hammer's first recorded work (ours): these are listed, and count in no length of life.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.data.frames import UNASSIGNED
from strikewatch.review.statistics.survival import Lasting, Median, lasting

if TYPE_CHECKING:
    import pandas as pd

ENDS: Final = frozenset({"worn", "broken", "lost"})
"""Why a tool came off that will not come back."""
DAY: Final = 86_400 * SECOND
MOST: Final = 0.5
"""Who fired more than this share of a tool's hours is named as its operator."""
SEVERAL: Final = "several"


@dataclass(slots=True)
class Tool:
    """One tool: where it is or was last, and what it has done.

    `fitted`: first on record, None where that is unknown. `removed`: None while in use. `counted_h`: the part of
    `firing_h` in which blows were counted. `operators`: hours of firing of each.
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
        return self.removed is not None and self.reason in ENDS

    def mix(self) -> dict[str, float]:
        """Each operator's share of its hours of firing, the largest first."""
        every = sum(self.operators.values())
        shares = sorted(self.operators.items(), key=lambda one: (-one[1], one[0]))
        return {who: hours / every for who, hours in shares} if every else {}

    def mostly(self) -> str | None:
        """The operator of most of its hours, or `several`; None where that is nobody who was signed on."""
        who, share = next(iter(self.mix().items()), (UNASSIGNED, 1.0))
        return SEVERAL if share <= MOST else None if who == UNASSIGNED else who


@dataclass(frozen=True, slots=True)
class Group:
    """Tools of a site alike in what `by` names: how many, how many have ended, and how long they last."""

    site: str
    by: str
    name: str
    tools: int
    ended: int
    firing_h: float
    lasting: Lasting
    median: Median


BY: Final[dict[str, Callable[[Tool], str | None]]] = {
    "type": lambda one: one.kind,
    "type and material": lambda one: one.material and f"{one.kind}, {one.material}",
    "type and operator": lambda one: (who := one.mostly()) and f"{one.kind}, {who}",
}
"""What lives are put together by."""


def tools(exposure: "pd.DataFrame", changes: Iterable[Event]) -> list[Tool]:
    """Every tool of EXPOSURE and of these tool changes, by site, hammer and when it was first fitted."""
    by_key: dict[Key, list[Event]] = {}
    for event in sorted(changes, key=lambda one: one.time):
        by_key.setdefault((event.site, event.hammer), []).append(event)
    worked = {
        (str(site), str(hammer)): own
        for (site, hammer), own in exposure.sort_values("start").groupby(["site", "hammer"])
    }
    found: dict[tuple[Any, ...], Tool] = {}
    for key in sorted(by_key.keys() | worked.keys()):
        own = by_key.get(key, [])
        fittings = [Tool(*key, start_known=False), *map(_tool, own)]
        for one, event in zip(fittings, own, strict=False):
            one.removed, one.reason = event.time, event.fields.get("reason")
        work = _pieces(worked[key]) if key in worked else []
        _add(fittings, [event.time for event in own], work)
        for number, one in enumerate(fittings):
            if one.fitted is None and not one.firing_h:
                continue
            one.start_known = one.fitted is not None and (not work or one.fitted >= work[0][0] - DAY)
            name = (one.site, one.serial) if one.serial else (*key, number)
            found[name] = _joined(found[name], one) if name in found else one
    return sorted(found.values(), key=lambda one: (one.site, one.hammer, one.fitted or 0))


def _joined(one: Tool, other: Tool) -> Tool:
    """Two fittings of one tool: where it was last, what it did in both."""
    first, last = sorted((one, other), key=lambda each: each.fitted or 0)
    operators = dict(first.operators)
    for who, hours in last.operators.items():
        operators[who] = operators.get(who, 0.0) + hours
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
"""From, to, hours of firing, blows (NaN: not counted), operator."""


def _pieces(own: "pd.DataFrame") -> list[Piece]:
    columns = (
        own["start"].dt.as_unit("ns").astype("int64").tolist(),
        own["end"].dt.as_unit("ns").astype("int64").tolist(),
        (own["firing_s"] / 3600).tolist(),
        own["blows"].tolist(),
        own["operator"].tolist(),
    )
    return list(zip(*columns, strict=True))


def _tool(event: Event) -> Tool:
    """What a change fits."""
    told = event.fields
    return Tool(event.site, event.hammer, told["tool"], told.get("material"), told.get("serial"), event.time)


def _add(fittings: Sequence[Tool], times: Sequence[Instant], work: Iterable[Piece]) -> None:
    """Give each fitting its work; what spans a change is divided by time, no more than an hour of it."""
    for start, end, firing_h, blows, operator in work:
        first, last = bisect_right(times, start), bisect_right(times, max(start, end - 1))
        for k in range(first, last + 1):
            begins = start if k == first else times[k - 1]
            stops = end if k == last else times[k]
            share = (stops - begins) / (end - start) if end > start else 1.0
            one = fittings[k]
            one.firing_h += share * firing_h
            one.operators[operator] = one.operators.get(operator, 0.0) + share * firing_h
            if blows == blows:
                one.blows += share * blows
                one.counted_h += share * firing_h


def groups(found: Iterable[Tool], by: str) -> list[Group]:
    """How long tools last, by one of BY: of each site, those whose start is known and that have fired."""
    alike: dict[tuple[str, str], list[Tool]] = {}
    for one in found:
        name = BY[by](one)
        if name and one.start_known and one.firing_h:
            alike.setdefault((one.site, name), []).append(one)
    return [_group(site, by, name, own) for (site, name), own in sorted(alike.items())]


def _group(site: str, by: str, name: str, own: Sequence[Tool]) -> Group:
    hours, ended = [one.firing_h for one in own], [one.ended for one in own]
    how_long = lasting(hours, ended)
    return Group(site, by, name, len(own), sum(ended), sum(hours), how_long, how_long.median())
