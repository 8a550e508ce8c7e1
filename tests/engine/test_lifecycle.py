"""Every event in every state of an alert, against a table written by hand.

States and transitions are those of ISA-18.2 / IEC 62682 (alarm state transition diagram, from memory), with two
differences: an alert whose suppression ends is unacknowledged, and one that ends while suppressed needs no
acknowledgement.
"""

import itertools
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.engine.lifecycle import (
    EVENT_KINDS,
    OPEN,
    STATES,
    SUPPRESSED,
    EventKind,
    Handling,
    LifecycleEvent,
    Shelf,
    State,
    step,
)
from strikewatch.errors import Refused

NOW = 1_772_608_500_000_000_000
HOUR = 3600 * 10**9

# One row per state and one column per event, in the order below; "=": no change, "!": refused.
SHORT: dict[str, State] = {
    "nor": "normal",
    "una": "unacknowledged",
    "ack": "acknowledged",
    "ret": "returned_unacknowledged",
    "she": "shelved",
    "sup": "suppressed_by_design",
    "out": "out_of_service",
}
EVENTS: tuple[EventKind, ...] = (
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
TABLE = """
      rai esc cle ackn shel unsh ended supp unsu out in res
nor   una =   =   =    !    =    =     =    =    =   =  =
una   =   =   ret ack  she  =    =     sup  =    out =  =
ack   =   una nor =    she  =    =     sup  =    out =  =
ret   una =   =   nor  !    =    =     =    =    =   =  =
she   =   una nor !    she  una  una   sup  =    out =  =
sup   =   =   nor !    !    =    =     =    una  out =  =
out   =   =   nor !    !    =    =     =    =    =   una una
"""
CELLS = {
    (SHORT[row[0]], kind): cell
    for row in map(str.split, TABLE.strip().splitlines()[1:])
    for kind, cell in zip(EVENTS, row[1:], strict=True)
}


def shelf(until: int = NOW + HOUR, upto: Priority = "medium", reason: str = "greasing at noon") -> Shelf:
    return Shelf(until, "foreman", reason, upto)


def event(kind: EventKind, **more: object) -> LifecycleEvent:
    """Return an event with usual values: raised medium, escalated to high, shelved for another hour."""
    given = {
        "raised": {"priority": "medium"},
        "escalated": {"priority": "high"},
        "shelve": {"shelf": shelf(NOW + 2 * HOUR)},
    }.get(kind, {})
    return LifecycleEvent(kind, NOW, "manager", "why", **given | more)  # type: ignore[arg-type]


def handling_in(state: State) -> Handling:
    return Handling(state, "medium", shelf() if state == "shelved" else None)


def test_the_table_is_complete() -> None:
    assert set(EVENTS) == set(EVENT_KINDS)
    assert CELLS.keys() == set(itertools.product(STATES, EVENT_KINDS))


@pytest.mark.parametrize(("state", "kind"), CELLS)
def test_every_event_in_every_state(state: State, kind: EventKind) -> None:
    cell, before, incoming = CELLS[state, kind], handling_in(state), event(kind)
    if cell == "!":
        with pytest.raises(Refused, match=r"; (unshelve|return|to change that|acknowledge)"):
            step(before, incoming)
        return
    after, entry = step(before, incoming)
    expected = state if cell == "=" else SHORT[cell]
    assert after.state == expected
    assert (after.shelf is not None) == (expected == "shelved")
    if cell != "=":
        assert entry is not None
        assert (entry.at, entry.by, entry.event, entry.why) == (NOW, "manager", kind, "why")
        assert (entry.before, entry.after) == (state, expected)
    elif kind != "escalated":  # recorded though the state stays
        assert (after, entry) == (before, None)


@pytest.mark.parametrize(
    ("state", "kind"), [state_and_kind for state_and_kind, cell in CELLS.items() if cell != "!"]
)
def test_repeating_an_event_changes_nothing_and_is_no_error(state: State, kind: EventKind) -> None:
    once, _ = step(handling_in(state), event(kind))
    if CELLS[once.state, kind] != "!":
        assert step(once, event(kind)) == (once, None)


def test_shelving_covers_the_priority_at_the_time_of_shelving() -> None:
    """Shelving at medium does not cover high; shelving at high does."""
    for upto, expected in (("medium", "unacknowledged"), ("high", "shelved")):
        after, entry = step(Handling("shelved", "medium", shelf(upto=upto)), event("escalated"))  # type: ignore[arg-type]
        assert (after.state, after.priority) == (expected, "high")
        assert entry is not None


def test_shelving_may_be_extended_and_must_end_in_the_future() -> None:
    before = handling_in("shelved")
    moved, entry = step(before, event("shelve", shelf=shelf(NOW + 3 * HOUR, reason="not before two")))
    assert moved.shelf == shelf(NOW + 3 * HOUR, reason="not before two")
    assert entry is not None
    assert step(before, event("shelve", shelf=before.shelf)) == (before, None)
    for until in (NOW, NOW - 1):
        with pytest.raises(Refused, match="in the future"):
            step(handling_in("unacknowledged"), event("shelve", shelf=shelf(until)))


@given(st.lists(st.tuples(st.sampled_from(EVENT_KINDS), st.sampled_from(PRIORITIES)), max_size=30))
def test_the_history_always_leads_to_the_state(events: Sequence[tuple[EventKind, Priority]]) -> None:
    """Each entry begins with the state in which the last one ended; only shelved alerts have a shelf."""
    now, states = Handling(), ["normal"]
    for kind, priority in events:
        try:
            now, entry = step(now, event(kind, priority=priority) if kind != "shelve" else event(kind))
        except Refused:
            continue
        if entry is not None:
            assert entry.before == states[-1]
            states.append(entry.after)
        assert now.state == states[-1]
        assert (now.shelf is not None) == (now.state == "shelved")
    assert SUPPRESSED < OPEN
