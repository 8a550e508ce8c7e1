"""The lifecycle of an alert: its states and transitions, in the terms of ISA-18.2 / IEC 62682.

An active alert is unacknowledged until it is acknowledged. When the fault ends the alert returns to normal: at
once if it was acknowledged, otherwise after its acknowledgement. Three states suppress an alert, each with a recorded
reason: shelved by a person until a time, out of service with its hammer, suppressed by design in the settings. A
suppressed alert is stored and counted but not sent. When the suppression ends and the alert is still active, it is
unacknowledged again, whatever its state was before.

Shelving covers priorities up to that at the time of shelving: an alert that rises above it is no longer shelved. Out of
service takes precedence over suppressed by design, and that over shelved. The latched state of the standards is not
used: no alert needs a reset beyond its acknowledgement.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, get_args

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
STATES: Final[tuple[State, ...]] = get_args(State)
"""normal: ended, and needs no action."""

SUPPRESSED: Final[frozenset[State]] = frozenset({"shelved", "suppressed_by_design", "out_of_service"})
ACTIVE: Final[frozenset[State]] = SUPPRESSED | {"unacknowledged", "acknowledged"}
OPEN: Final[frozenset[State]] = ACTIVE | {"returned_unacknowledged"}
"""States that still need attention."""

EventKind = Literal[
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
EVENT_KINDS: Final[tuple[EventKind, ...]] = get_args(EventKind)
"""The first three come from the detectors; `shelf_ended` and `service_resumed` from time passing."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """A shelving: until when (exclusive), by whom, why, and up to which priority."""

    until: Instant
    by: str
    reason: str
    upto: Priority

    def covers(self, priority: Priority) -> bool:
        return PRIORITIES.index(priority) <= PRIORITIES.index(self.upto)


@dataclass(frozen=True, slots=True)
class Handling:
    """The state of an alert as people have handled it. `shelf` is set only while it is shelved."""

    state: State = "normal"
    priority: Priority = "low"
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class LifecycleEvent:
    """An event in the lifecycle of an alert: what, when, by whom (a name, or the processor) and why.

    `priority` is set for raised and escalated, `shelf` for shelve.
    """

    kind: EventKind
    at: Instant
    by: str
    why: str = ""
    priority: Priority | None = None
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """A line of an alert's history: when, who, what, why, and the state before and after."""

    at: Instant
    by: str
    event: EventKind
    why: str
    before: State
    after: State


def step(handling: Handling, event: LifecycleEvent) -> tuple[Handling, HistoryEntry | None]:
    """Return the handling after an event, and the line for its history; None if nothing has changed.

    Repeating an event changes nothing and is not an error. Raises Refused, with the remedy, where the event is not
    possible in this state.
    """
    priority = event.priority or handling.priority
    after = _TRANSITIONS[event.kind](handling, event)
    if event.kind == "shelve" and after == "shelved":
        moved = Handling(after, priority, event.shelf)
    else:
        moved = Handling(after, priority, handling.shelf if after == "shelved" else None)
    if moved == handling:
        return moved, None
    return moved, HistoryEntry(event.at, event.by, event.kind, event.why, handling.state, after)


def _raised(handling: Handling, _event: LifecycleEvent) -> State:
    """Return the state after a raise, also one that follows because a clear was withdrawn."""
    if handling.state in ("normal", "returned_unacknowledged"):
        return "unacknowledged"
    return handling.state


def _escalated(handling: Handling, event: LifecycleEvent) -> State:
    """Return the state after a rise in priority, which an acknowledgement or shelving does not cover."""
    shelf = handling.shelf
    if handling.state == "acknowledged" or (shelf and event.priority and not shelf.covers(event.priority)):
        return "unacknowledged"
    return handling.state


def _cleared(handling: Handling, _event: LifecycleEvent) -> State:
    """Return the state after a clear; a suppressed alert needs no acknowledgement: who suppressed it knew of it."""
    if handling.state in ("unacknowledged", "returned_unacknowledged"):
        return "returned_unacknowledged"
    return "normal"


def _acknowledge(handling: Handling, _event: LifecycleEvent) -> State:
    if handling.state in SUPPRESSED:
        raise Refused(
            f"the alert is {_describe(handling)}, so there is nothing to acknowledge; {_remedy(handling)}"
        )
    return "acknowledged" if handling.state in ("unacknowledged", "acknowledged") else "normal"


def _shelve(handling: Handling, event: LifecycleEvent) -> State:
    if event.shelf is None or event.shelf.until <= event.at:
        raise Refused("shelving must end in the future; give a later time")
    if handling.state in ("normal", "returned_unacknowledged"):
        raise Refused(
            "the alert has ended, so it cannot be shelved; "
            "acknowledge it if nobody has, and shelve the next one while it is active"
        )
    if handling.state in ("out_of_service", "suppressed_by_design"):
        raise Refused(f"the alert is {_describe(handling)} already; {_remedy(handling)}")
    return "shelved"


def _suppress_as(state: State) -> Callable[[Handling, LifecycleEvent], State]:
    """Make the transition that suppresses an active alert; out of service takes precedence."""

    def after(handling: Handling, _event: LifecycleEvent) -> State:
        if handling.state not in ACTIVE or handling.state == "out_of_service":
            return handling.state
        return state

    return after


def _return_from(state: State) -> Callable[[Handling, LifecycleEvent], State]:
    """Make the transition from one suppressed state to unacknowledged; in other states nothing changes."""

    def after(handling: Handling, _event: LifecycleEvent) -> State:
        return "unacknowledged" if handling.state == state else handling.state

    return after


_TRANSITIONS: Final[dict[EventKind, Callable[[Handling, LifecycleEvent], State]]] = {
    "raised": _raised,
    "escalated": _escalated,
    "cleared": _cleared,
    "acknowledge": _acknowledge,
    "shelve": _shelve,
    "unshelve": _return_from("shelved"),
    "shelf_ended": _return_from("shelved"),
    "suppress": _suppress_as("suppressed_by_design"),
    "unsuppress": _return_from("suppressed_by_design"),
    "out_of_service": _suppress_as("out_of_service"),
    "in_service": _return_from("out_of_service"),
    "service_resumed": _return_from("out_of_service"),
}


def _describe(handling: Handling) -> str:
    if handling.shelf is not None:
        return f"shelved until {instant.text(handling.shelf.until)} by {handling.shelf.by}"
    return handling.state.replace("_", " ")


def _remedy(handling: Handling) -> str:
    match handling.state:
        case "shelved":
            return "unshelve it first"
        case "out_of_service":
            return "return its hammer to service first"
        case _:
            return "to change that, edit the setting alarms.suppressed"
