"""The life of one alert as people handle it, in the terms of ISA-18.2 / IEC 62682.

An alert that stands is unacknowledged until somebody acknowledges it. When the matter goes away it has returned to
normal: at once if it was acknowledged, else it waits for its acknowledgement. Three states put an alert aside, each
for a reason on record: shelved by a person until a time, out of service with its hammer, suppressed by design in the
settings. Put aside it is stored and counted, and no more of it is told; when that ends and it still stands, it is
unacknowledged again, whatever it was before, so that somebody looks.

A shelf covers what was known when it was made: an alert that rises above the shelf's priority comes out of it. Out of
service goes before suppressed, and that before a shelf. The standards' latched state is not used: nothing here needs
a reset beyond the acknowledgement.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused

State = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned_unacknowledged",
    "shelved",
    "suppressed_by_design",
    "out_of_service",
]
STATES: Final[tuple[State, ...]] = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned_unacknowledged",
    "shelved",
    "suppressed_by_design",
    "out_of_service",
)
"""normal: it is over, and needs nobody."""

ASIDE: Final[frozenset[State]] = frozenset({"shelved", "suppressed_by_design", "out_of_service"})
STANDING: Final[frozenset[State]] = ASIDE | {"unacknowledged", "acknowledged"}
OPEN: Final[frozenset[State]] = STANDING | {"returned_unacknowledged"}
"""What is still somebody's business."""

Kind = Literal[
    "raised",
    "escalated",
    "cleared",
    "acknowledge",
    "shelve",
    "unshelve",
    "shelf_ended",
    "suppress",
    "unsuppress",
    "out_of_service",
    "in_service",
    "service_resumed",
]
KINDS: Final[tuple[Kind, ...]] = (
    "raised",
    "escalated",
    "cleared",
    "acknowledge",
    "shelve",
    "unshelve",
    "shelf_ended",
    "suppress",
    "unsuppress",
    "out_of_service",
    "in_service",
    "service_resumed",
)
"""The first three are what the detectors find; `shelf_ended` and `service_resumed` are time passing."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """What is shelved until an instant (exclusive), by whom, why, and up to which priority."""

    until: Instant
    by: str
    reason: str
    upto: Priority

    def covers(self, priority: Priority) -> bool:
        return PRIORITIES.index(priority) <= PRIORITIES.index(self.upto)


@dataclass(frozen=True, slots=True)
class Handling:
    """Where an alert stands with people. `shelf` is set while it is shelved, and then only."""

    state: State = "normal"
    priority: Priority = "low"
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens to an alert at an instant: by whom (a name, or the processor) and why.

    `priority` comes with raised and escalated, `shelf` with shelve.
    """

    kind: Kind
    at: Instant
    by: str
    why: str = ""
    priority: Priority | None = None
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of an alert's history: who, when, why, from where to where."""

    at: Instant
    by: str
    event: Kind
    why: str
    before: State
    after: State


def step(handling: Handling, event: Event) -> tuple[Handling, Entry | None]:
    """Where the alert stands after the event, and the line for its history; None if nothing has changed.

    What is repeated changes nothing and is no error. Raises Refused, with the remedy, for what makes no sense here.
    """
    priority = event.priority or handling.priority
    after = _AFTER[event.kind](handling, event)
    if event.kind == "shelve" and after == "shelved":
        moved = Handling(after, priority, event.shelf)
    else:
        moved = Handling(after, priority, handling.shelf if after == "shelved" else None)
    if moved == handling:
        return moved, None
    return moved, Entry(event.at, event.by, event.kind, event.why, handling.state, after)


def _raised(handling: Handling, _event: Event) -> State:
    """Also what takes back a clearing."""
    if handling.state in ("normal", "returned_unacknowledged"):
        return "unacknowledged"
    return handling.state


def _escalated(handling: Handling, event: Event) -> State:
    """A matter acknowledged at one priority is news at a higher one."""
    shelf = handling.shelf
    if handling.state == "acknowledged" or (shelf and event.priority and not shelf.covers(event.priority)):
        return "unacknowledged"
    return handling.state


def _cleared(handling: Handling, _event: Event) -> State:
    """Whoever put it aside has seen to it: it needs no acknowledgement beyond that."""
    if handling.state in ("unacknowledged", "returned_unacknowledged"):
        return "returned_unacknowledged"
    return "normal"


def _acknowledge(handling: Handling, _event: Event) -> State:
    if handling.state in ASIDE:
        raise Refused(
            f"the alert is {_told(handling)}, so there is nothing to acknowledge; {_remedy(handling)}"
        )
    return "acknowledged" if handling.state in ("unacknowledged", "acknowledged") else "normal"


def _shelve(handling: Handling, event: Event) -> State:
    if event.shelf is None or event.shelf.until <= event.at:
        raise Refused("a shelf must end later than now; name a time to come")
    if handling.state in ("normal", "returned_unacknowledged"):
        raise Refused(
            "the alert has ended, so it cannot be shelved; "
            "acknowledge it if nobody has, and shelve the next one while it is active"
        )
    if handling.state in ("out_of_service", "suppressed_by_design"):
        raise Refused(f"the alert is {_told(handling)} already; {_remedy(handling)}")
    return "shelved"


def _put_aside(state: State) -> Callable[[Handling, Event], State]:
    """Standing alerts go there; those over need nothing, and out of service goes before all else."""

    def after(handling: Handling, _event: Event) -> State:
        if handling.state not in STANDING or handling.state == "out_of_service":
            return handling.state
        return state

    return after


def _comes_back(state: State) -> Callable[[Handling, Event], State]:
    """From that state it is unacknowledged; elsewhere there is nothing to undo."""

    def after(handling: Handling, _event: Event) -> State:
        return "unacknowledged" if handling.state == state else handling.state

    return after


_AFTER: Final[dict[Kind, Callable[[Handling, Event], State]]] = {
    "raised": _raised,
    "escalated": _escalated,
    "cleared": _cleared,
    "acknowledge": _acknowledge,
    "shelve": _shelve,
    "unshelve": _comes_back("shelved"),
    "shelf_ended": _comes_back("shelved"),
    "suppress": _put_aside("suppressed_by_design"),
    "unsuppress": _comes_back("suppressed_by_design"),
    "out_of_service": _put_aside("out_of_service"),
    "in_service": _comes_back("out_of_service"),
    "service_resumed": _comes_back("out_of_service"),
}


def _told(handling: Handling) -> str:
    if handling.shelf is not None:
        return f"shelved until {instant.text(handling.shelf.until)} by {handling.shelf.by}"
    return handling.state.replace("_", " ")


def _remedy(handling: Handling) -> str:
    match handling.state:
        case "shelved":
            return "unshelve it first"
        case "out_of_service":
            return "put its hammer in service first"
        case _:
            return "the settings, alarms.suppressed, say so"
