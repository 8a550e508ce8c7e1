"""The tracker: each alert is reported once, and rows always override a look-ahead."""

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


def duty(_key: Key, at: Instant) -> str | None:
    return "op-14" if at >= ONSET else None


def take(tracker: AlertTracker, one: Finding, ahead_s: int | None = None) -> list[Change]:
    return tracker.apply([one], duty, one.at, looked_ahead_to=None if ahead_s is None else ahead_s * SECOND)


def prepared(state: str) -> AlertTracker:
    """A tracker with one alert as `state` says: unknown, or raised and perhaps cleared, by rows or ahead."""
    tracker = AlertTracker(120 * SECOND)
    if state != "unknown":
        take(tracker, finding("raised"), 20 if state in ("raised ahead", "both ahead") else None)
    if state in ("cleared ahead", "both ahead"):
        take(tracker, finding("cleared", 18), 22)
    return tracker


NOTHING = None
TABLE = [
    # state           step         ahead   what is changed, whether told, what of it was seen ahead only, s cleared
    ("unknown", "raised", False, ("raised", True, 0, None)),
    ("unknown", "raised", True, ("raised", True, RAISE_IS_PROVISIONAL, None)),
    ("unknown", "escalated", False, NOTHING),
    ("unknown", "escalated", True, NOTHING),
    ("unknown", "cleared", False, NOTHING),
    ("unknown", "cleared", True, NOTHING),
    ("unknown", "standing", False, NOTHING),
    ("unknown", "standing", True, NOTHING),
    ("raised", "raised", False, NOTHING),
    ("raised", "raised", True, NOTHING),
    ("raised", "escalated", False, ("escalated", True, 0, None)),
    ("raised", "escalated", True, ("escalated", True, 0, None)),
    ("raised", "cleared", False, ("cleared", True, 0, 19)),
    ("raised", "cleared", True, ("cleared", True, CLEAR_IS_PROVISIONAL, 19)),
    ("raised", "standing", False, NOTHING),
    ("raised", "standing", True, NOTHING),
    ("raised ahead", "raised", False, ("raised", False, 0, None)),
    ("raised ahead", "raised", True, NOTHING),
    ("raised ahead", "escalated", True, ("escalated", True, RAISE_IS_PROVISIONAL, None)),
    ("raised ahead", "cleared", True, ("cleared", True, BOTH, 19)),
    ("raised ahead", "standing", True, NOTHING),
    ("cleared ahead", "raised", False, NOTHING),
    ("cleared ahead", "raised", True, NOTHING),
    ("cleared ahead", "escalated", False, ("escalated", True, CLEAR_IS_PROVISIONAL, 18)),
    ("cleared ahead", "escalated", True, NOTHING),
    ("cleared ahead", "cleared", False, ("cleared", False, 0, 19)),
    ("cleared ahead", "cleared", True, NOTHING),
    ("cleared ahead", "standing", True, NOTHING),
    ("both ahead", "raised", False, ("raised", False, CLEAR_IS_PROVISIONAL, 18)),
    ("both ahead", "raised", True, NOTHING),
    ("both ahead", "cleared", True, NOTHING),
]


@pytest.mark.parametrize(("state", "step", "ahead", "expected"), TABLE)
def test_every_step_in_every_state(state: str, step: FindingStep, ahead: bool, expected: Any) -> None:
    priority: Priority = "high" if step == "escalated" else "medium"
    changes = take(prepared(state), finding(step, 19, priority), 25 if ahead else None)
    if expected is NOTHING:
        assert changes == []
    else:
        (change,) = changes
        cleared_s = None if change.cleared is None else change.cleared // SECOND
        assert (change.step, change.deliver, change.provisional, cleared_s) == expected
        assert change.record["priority"] == priority


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        ("unknown", NOTHING),
        ("raised", NOTHING),
        ("raised ahead", ("cleared", True, 0)),
        ("cleared ahead", ("raised", False, 0)),
        ("both ahead", ("cleared", True, 0)),
    ],
)
def test_rows_that_refute_a_look_ahead_withdraw_it(state: str, expected: Any) -> None:
    """Not before they have come as far as was looked; then once."""
    tracker = prepared(state)
    seen_upto = {"raised ahead": 20, "cleared ahead": 22, "both ahead": 22}.get(state, 1) * SECOND
    assert tracker.withdraw_unconfirmed(HB, seen_upto - 1) == []
    changes = tracker.withdraw_unconfirmed(HB, seen_upto)
    assert [(one.step, one.deliver, one.provisional) for one in changes] == ([expected] if expected else [])
    assert ["withdrawn" in one.record["evidence"] for one in changes] == [
        bool(expected and expected[1])
    ] * len(changes)
    assert tracker.withdraw_unconfirmed(HB, seen_upto + SECOND) == []
    assert [one.fault for one in tracker.open_alerts()] == (
        ["same_spot"] if state in ("raised", "cleared ahead") else []
    )
    assert all(one.cleared is None for one in tracker.open_alerts())


def test_an_escalation_that_rows_refute_is_not_in_the_final_record() -> None:
    tracker = prepared("raised")
    assert take(tracker, finding("escalated", 30, "high"), 31)[0].record["priority"] == "high"
    assert take(tracker, finding("escalated", 30, "high"), 32) == []
    (change,) = take(tracker, finding("cleared", 29))
    assert (change.record["priority"], change.deliver) == ("medium", True)


def test_an_alert_found_later_than_the_limit_is_historic() -> None:
    for late, expected in ((120 * SECOND, False), (120 * SECOND + 1, True)):
        (change,) = AlertTracker(120 * SECOND).apply([finding("raised")], duty, ONSET + late)
        assert change.record["historic"] is expected


def test_in_a_recording_nothing_is_historic() -> None:
    (alert,) = AlertTracker(0).apply_recorded([finding("raised")], duty)
    assert (alert.historic, alert.operator) == (False, "op-14")


Life = tuple[int, int | None, int | None]
"""Onset, escalation and clearing of one fault, s."""


@st.composite
def lives(draw: st.DrawFn) -> list[Life]:
    """One after the other, as they are with one hammer; the last may last."""
    times = sorted(draw(st.sets(st.integers(15, LATEST - 1), max_size=12)))
    found: list[Life] = []
    while times:
        part, times = times[:3], times[3:]
        escalates = draw(st.booleans()) and len(part) > 1
        found.append(
            (part[0], part[1] if escalates else None, part[-1] if len(part) > 1 + escalates else None)
        )
        if found[-1][2] is None:
            break
    return found


def findings(life: list[Life], after: int, upto: int) -> list[Finding]:
    """What becomes true in (after, upto] s."""
    out = []
    for onset, high, cleared in life:
        named = {"onset": onset * SECOND, "fired_s": float(onset)}
        out.append(finding("raised", onset, "medium", **named))  # type: ignore[arg-type]
        if high is not None:
            out.append(finding("escalated", high, "high", **named))  # type: ignore[arg-type]
        if cleared is not None:
            out.append(finding("cleared", cleared, "medium" if high is None else "high", **named))  # type: ignore[arg-type]
    return [one for one in out if after < one.at // SECOND <= upto]


def suggested(truth: list[Life], upto: int, guess: list[Life]) -> list[Life]:
    """A silence from `upto` on: what was true goes on as it was so far, and from there as `guess` has it."""
    known = [life for life in truth if life[0] <= upto]
    later = [life for life in guess if life[0] > upto]
    if known:
        onset, high, cleared = known[-1]
        if cleared is None or cleared > upto:
            ends = [life[0] for life in later[:1]]
            known[-1] = onset, high if high is None or high <= upto else None, ends[0] if ends else None
            later = later[1:]
    return known + later


@given(
    both=lives().flatmap(lambda truth: st.tuples(st.just(truth), lives() | st.just(truth))),
    way=st.lists(st.tuples(st.integers(0, LATEST), st.integers(1, 400)), max_size=8),
    again=st.booleans(),
)
def test_looking_ahead_changes_nothing_in_the_end(
    both: tuple[list[Life], list[Life]], way: list[tuple[int, int]], again: bool
) -> None:
    """Rows come in lots, and between two of them, here and there, a silence suggests whatever it likes, the truth
    included, and knows nothing yet of who is there. In the end the record is that of the rows alone, what was
    withdrawn says so, and each alert was raised to the outside once."""
    truth, guess = both
    plain, tracker = AlertTracker(10**18), AlertTracker(10**18)
    expected = {one.alert_id: one for one in plain.apply(findings(truth, 0, LATEST), duty, 0)}
    changes: list[Change] = []
    at = 0
    for upto, look in [*sorted(way), (LATEST, 0)]:
        changes += tracker.apply(findings(truth, at, upto), duty, 0)
        changes += tracker.withdraw_unconfirmed(HB, upto * SECOND)
        at = upto
        seen = findings(suggested(truth, upto, guess), upto, upto + look)
        for _ in range(1 + again):
            changes += tracker.apply(seen, lambda *_: None, 0, looked_ahead_to=(upto + look) * SECOND)
    changes += tracker.withdraw_unconfirmed(HB, 2 * LATEST * SECOND)
    last = {one.alert_id: one for one in changes}
    kept = {name: one for name, one in last.items() if "withdrawn" not in one.record["evidence"]}
    told = ("operator", "onset", "cleared", "evidence", "summary")
    assert kept.keys() == expected.keys()
    for name, one in kept.items():
        assert {k: one.record[k] for k in told} == {k: expected[name].record[k] for k in told}
        assert one.provisional == 0
        if one.cleared is not None:
            assert one.record["priority"] == expected[name].record["priority"]
    for name, one in last.items():
        assert [c.alert_id for c in changes if c.step == "raised" and c.deliver].count(name) == 1
        if name not in kept:
            assert one.step == "cleared"
            assert one.deliver
    assert {alert.id for alert in tracker.open_alerts()} == {alert.id for alert in plain.open_alerts()}
