"""The tracker: each alert is reported once, and rows always override a look-ahead."""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.alert import CLEAR_IS_PROVISIONAL, RAISE_IS_PROVISIONAL, Change, Priority
from strikewatch.core.batch import Key
from strikewatch.core.finding import Fault, Finding, FindingStep
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.alert_tracker import AlertTracker

HB: Key = ("fennick-hollow", "HB-01")
SPOT = Fault("same_spot", "Fired {fired_s} s.", {"fired_s": float})
ONSET = 15 * SECOND
BOTH = RAISE_IS_PROVISIONAL | CLEAR_IS_PROVISIONAL
LATEST = 1000


def finding(
    step: FindingStep,
    at_s: int = 15,
    priority: Priority = "medium",
    onset: Instant = ONSET,
    fired_s: float = 1.0,
) -> Finding:
    return Finding(HB, SPOT, step, onset, at_s * SECOND, priority, (fired_s,))


def on_duty(_key: Key, at: Instant) -> str | None:
    return "op-14" if at >= ONSET else None


def apply(tracker: AlertTracker, new: Finding, ahead_s: int | None = None) -> list[Change]:
    return tracker.apply(
        [new], on_duty, new.at, looked_ahead_to=None if ahead_s is None else ahead_s * SECOND
    )


def tracker_with(state: str) -> AlertTracker:
    """Return a tracker with an alert in a state: unknown, or raised or cleared by rows or by a look-ahead."""
    tracker = AlertTracker(120 * SECOND)
    if state != "unknown":
        apply(tracker, finding("raised"), 20 if state in ("raised ahead", "both ahead") else None)
    if state in ("cleared ahead", "both ahead"):
        apply(tracker, finding("cleared", 18), 22)
    return tracker


NO_CHANGE = None
TABLE = [
    # state           step         ahead   step of the change, whether delivered, provisional, cleared s
    ("unknown", "raised", False, ("raised", True, 0, None)),
    ("unknown", "raised", True, ("raised", True, RAISE_IS_PROVISIONAL, None)),
    ("unknown", "escalated", False, NO_CHANGE),
    ("unknown", "escalated", True, NO_CHANGE),
    ("unknown", "cleared", False, NO_CHANGE),
    ("unknown", "cleared", True, NO_CHANGE),
    ("unknown", "standing", False, NO_CHANGE),
    ("unknown", "standing", True, NO_CHANGE),
    ("raised", "raised", False, NO_CHANGE),
    ("raised", "raised", True, NO_CHANGE),
    ("raised", "escalated", False, ("escalated", True, 0, None)),
    ("raised", "escalated", True, ("escalated", True, 0, None)),
    ("raised", "cleared", False, ("cleared", True, 0, 19)),
    ("raised", "cleared", True, ("cleared", True, CLEAR_IS_PROVISIONAL, 19)),
    ("raised", "standing", False, NO_CHANGE),
    ("raised", "standing", True, NO_CHANGE),
    ("raised ahead", "raised", False, ("raised", False, 0, None)),
    ("raised ahead", "raised", True, NO_CHANGE),
    ("raised ahead", "escalated", True, ("escalated", True, RAISE_IS_PROVISIONAL, None)),
    ("raised ahead", "cleared", True, ("cleared", True, BOTH, 19)),
    ("raised ahead", "standing", True, NO_CHANGE),
    ("cleared ahead", "raised", False, NO_CHANGE),
    ("cleared ahead", "raised", True, NO_CHANGE),
    ("cleared ahead", "escalated", True, NO_CHANGE),
    ("cleared ahead", "cleared", False, ("cleared", True, 0, 19)),
    ("cleared ahead", "cleared", True, NO_CHANGE),
    ("cleared ahead", "standing", True, NO_CHANGE),
    ("both ahead", "raised", False, ("raised", False, CLEAR_IS_PROVISIONAL, 18)),
    ("both ahead", "raised", True, NO_CHANGE),
    ("both ahead", "cleared", True, NO_CHANGE),
]


@pytest.mark.parametrize(("state", "step", "ahead", "expected"), TABLE)
def test_every_step_in_every_state(state: str, step: FindingStep, ahead: bool, expected: Any) -> None:
    priority: Priority = "high" if step == "escalated" else "medium"
    changes = apply(tracker_with(state), finding(step, 19, priority), 25 if ahead else None)
    if expected is NO_CHANGE:
        assert changes == []
    else:
        (change,) = changes
        cleared_s = None if change.cleared is None else change.cleared // SECOND
        assert (change.step, change.deliver, change.provisional, cleared_s) == expected
        assert change.record["priority"] == priority


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        ("unknown", NO_CHANGE),
        ("raised", NO_CHANGE),
        ("raised ahead", ("cleared", True, 0)),
        ("cleared ahead", ("raised", True, 0)),
        ("both ahead", ("cleared", True, 0)),
    ],
)
def test_rows_that_refute_a_look_ahead_withdraw_it(state: str, expected: Any) -> None:
    """Once the rows are complete up to where the look-ahead went; then once."""
    tracker = tracker_with(state)
    complete_to = {"raised ahead": 20, "cleared ahead": 22, "both ahead": 22}.get(state, 1) * SECOND
    assert tracker.withdraw_unconfirmed(HB, complete_to - 1) == []
    changes = tracker.withdraw_unconfirmed(HB, complete_to)
    assert [(change.step, change.deliver, change.provisional) for change in changes] == (
        [expected] if expected else []
    )
    assert ["withdrawn" in change.record["evidence"] for change in changes] == [
        "raised ahead" in state or "both" in state
    ] * len(changes)
    assert tracker.withdraw_unconfirmed(HB, complete_to + SECOND) == []
    assert [alert.fault for alert in tracker.open_alerts()] == (
        ["same_spot"] if state in ("raised", "cleared ahead") else []
    )
    assert all(alert.cleared is None for alert in tracker.open_alerts())


def test_the_confirmation_of_a_clear_is_not_delivered() -> None:
    (change,) = apply(tracker_with("cleared ahead"), finding("cleared", 18))
    assert (change.step, change.deliver, change.provisional) == ("cleared", False, 0)


def test_rows_that_escalate_a_cleared_alert_raise_it_again_first() -> None:
    """Although they are not complete yet up to where the look-ahead went."""
    changes = apply(tracker_with("cleared ahead"), finding("escalated", 19, "high"))
    assert [(c.step, c.deliver, c.provisional, c.cleared) for c in changes] == [
        ("raised", True, 0, None),
        ("escalated", True, 0, None),
    ]
    assert [change.record["priority"] for change in changes] == ["medium", "high"]


def test_an_escalation_that_rows_refute_is_not_in_the_final_record() -> None:
    tracker = tracker_with("raised")
    assert apply(tracker, finding("escalated", 30, "high"), 31)[0].record["priority"] == "high"
    assert apply(tracker, finding("escalated", 30, "high"), 32) == []
    (change,) = apply(tracker, finding("cleared", 29))
    assert (change.record["priority"], change.deliver) == ("medium", True)


def test_an_alert_found_later_than_the_limit_is_historic() -> None:
    for late, expected in ((120 * SECOND, False), (120 * SECOND + 1, True)):
        (change,) = AlertTracker(120 * SECOND).apply([finding("raised")], on_duty, ONSET + late)
        assert change.record["historic"] is expected


def test_in_a_recording_nothing_is_historic() -> None:
    (alert,) = AlertTracker(0).apply_recorded([finding("raised")], on_duty)
    assert (alert.historic, alert.operator) == (False, "op-14")


FaultTimes = tuple[int, int | None, int | None]
"""Onset, escalation and clearing of one fault, s."""


@st.composite
def fault_times(draw: st.DrawFn) -> list[FaultTimes]:
    """Draw the faults of a hammer, one after the other; the last may still be active."""
    times = sorted(draw(st.sets(st.integers(15, LATEST - 1), max_size=12)))
    drawn: list[FaultTimes] = []
    while times:
        part, times = times[:3], times[3:]
        escalates = draw(st.booleans()) and len(part) > 1
        drawn.append(
            (part[0], part[1] if escalates else None, part[-1] if len(part) > 1 + escalates else None)
        )
        if drawn[-1][2] is None:
            break
    return drawn


def findings(faults: list[FaultTimes], after: int, upto: int) -> list[Finding]:
    """Return the findings of the faults in (after, upto] s."""
    found = []
    for onset, high, cleared in faults:
        named = {"onset": onset * SECOND, "fired_s": float(onset)}
        found.append(finding("raised", onset, "medium", **named))  # type: ignore[arg-type]
        if high is not None:
            found.append(finding("escalated", high, "high", **named))  # type: ignore[arg-type]
        if cleared is not None:
            found.append(finding("cleared", cleared, "medium" if high is None else "high", **named))  # type: ignore[arg-type]
    return [new for new in found if after < new.at // SECOND <= upto]


def guessed_after(truth: list[FaultTimes], upto: int, guess: list[FaultTimes]) -> list[FaultTimes]:
    """Return what a look-ahead from `upto` finds: the true faults up to there, then those of `guess`."""
    known = [fault for fault in truth if fault[0] <= upto]
    later = [fault for fault in guess if fault[0] > upto]
    if known:
        onset, high, cleared = known[-1]
        if cleared is None or cleared > upto:
            ends = [fault[0] for fault in later[:1]]
            known[-1] = onset, high if high is None or high <= upto else None, ends[0] if ends else None
            later = later[1:]
    return known + later


@given(
    both=fault_times().flatmap(lambda truth: st.tuples(st.just(truth), fault_times() | st.just(truth))),
    look_aheads=st.lists(st.tuples(st.integers(0, LATEST), st.integers(1, 400)), max_size=8),
    again=st.booleans(),
)
def test_look_aheads_do_not_change_the_final_records(
    both: tuple[list[FaultTimes], list[FaultTimes]], look_aheads: list[tuple[int, int]], again: bool
) -> None:
    """Between batches of rows, look-aheads find anything, right or wrong, and know no operator.

    The final records are those of the rows alone, and withdrawn alerts are marked. What is delivered ends with the
    state of the final record, and an alert is raised again only after it was cleared.
    """
    truth, guess = both
    plain, tracker = AlertTracker(10**18), AlertTracker(10**18)
    expected = {change.alert_id: change for change in plain.apply(findings(truth, 0, LATEST), on_duty, 0)}
    changes: list[Change] = []
    at = 0
    for upto, ahead in [*sorted(look_aheads), (LATEST, 0)]:
        changes += tracker.apply(findings(truth, at, upto), on_duty, 0)
        changes += tracker.withdraw_unconfirmed(HB, upto * SECOND)
        at = upto
        guesses = findings(guessed_after(truth, upto, guess), upto, upto + ahead)
        for _ in range(1 + again):
            changes += tracker.apply(guesses, lambda *_: None, 0, looked_ahead_to=(upto + ahead) * SECOND)
    changes += tracker.withdraw_unconfirmed(HB, 2 * LATEST * SECOND)
    last = {change.alert_id: change for change in changes}
    kept = {name: end for name, end in last.items() if "withdrawn" not in end.record["evidence"]}
    compared = ("operator", "onset", "cleared", "evidence", "summary")
    assert kept.keys() == expected.keys()
    for name, end in kept.items():
        assert {k: end.record[k] for k in compared} == {k: expected[name].record[k] for k in compared}
        assert end.provisional == 0
        if end.cleared is not None:
            assert end.record["priority"] == expected[name].record["priority"]
    for name, end in last.items():
        delivered = [change for change in changes if change.alert_id == name and change.deliver]
        steps = "".join(change.step[0] for change in delivered)
        assert re.fullmatch("(re*c+)*(re*)?", steps), steps
        assert delivered[-1].cleared == end.cleared
        if name not in kept:
            assert end.step == "cleared"
            assert end.deliver
    assert {alert.id for alert in tracker.open_alerts()} == {alert.id for alert in plain.open_alerts()}
