"""With random alerts, actions of people and restarts, nothing is lost or sent twice, and restarts change nothing."""

import re
import tempfile
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from strikewatch.core.alert import Change
from strikewatch.engine.lifecycle import SUPPRESSED
from strikewatch.errors import Refused, Unstorable
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.engines.shared import SharedDatabase
from tests.engine.scenario import HOUR_NS, AlertScenario
from tests.profiles import examples

HAMMERS = ("HB-01", "HB-02", "HB-03")
FAULTS = ("same_spot", "cold_oil", "slow")
ALARMS: dict[str, Any] = {
    "delay_s": {"slow": 20.0},
    "suppressed": ("cold_oil",),
    "flood_above": 5,
    "flood_below": 3,
}
"""Low limits, so that floods begin and end within a few alerts."""

index = st.integers(0, 40)
hammer = st.sampled_from(HAMMERS)
step = st.one_of(
    st.tuples(
        st.just("raise"),
        hammer,
        st.sampled_from([*FAULTS, "same_spot", "same_spot"]),
        st.sampled_from(["medium", "medium", "low", "high"]),
        st.sampled_from([0.0, 0.0, 0.0, 5.0, 300.0, 20_000.0]),
    ),
    st.tuples(st.just("raise"), hammer, st.just("same_spot"), st.just("medium"), st.just(0.0)),
    st.tuples(st.just("escalate"), index),
    st.tuples(st.just("clear"), index),
    st.tuples(st.just("clear"), index),
    st.tuples(st.just("withdraw"), index),
    st.tuples(st.just("reopen"), index),
    st.tuples(st.just("wait"), st.sampled_from([1.0, 10.0, 19.0, 30.0, 61.0, 200.0, 900.0])),
    st.tuples(st.just("wait"), st.sampled_from([1.0, 10.0])),
    st.tuples(st.just("shelve"), index, st.sampled_from([60.0, 1000.0])),
    st.tuples(st.just("unshelve"), index),
    st.tuples(st.just("acknowledge"), index),
    st.tuples(st.just("out"), hammer, st.sampled_from([None, 100.0])),
    st.tuples(st.just("in"), hammer),
)
actions = st.lists(step, min_size=5, max_size=45)


def play(
    scenario: AlertScenario, steps: Sequence[tuple[Any, ...]], restarts: frozenset[int] = frozenset()
) -> None:
    scenario.commit()
    for n, (action, *arguments) in enumerate(steps):
        if n in restarts:
            scenario.restart()
        with suppress(Refused):
            _do(scenario, action, arguments)


def _do(scenario: AlertScenario, action: str, arguments: list[Any]) -> None:
    if action == "raise":
        scenario.raise_(*arguments)
    elif action == "wait":
        scenario.wait(arguments[0])
    elif action == "out":
        until = arguments[1] and scenario.now + round(arguments[1] * 1e9)
        scenario.actions.out_of_service(
            arguments[0], by="fitter", reason="seals", until=until, now=scenario.now
        )
    elif action == "in":
        scenario.actions.in_service(arguments[0], by="fitter", now=scenario.now)
    elif scenario.raised:
        alert = scenario.raised[arguments[0] % len(scenario.raised)]
        if action == "shelve":
            until = scenario.now + round(arguments[1] * 1e9)
            scenario.actions.shelve(alert.id, until=until, by="manager", reason="known", now=scenario.now)
        elif action == "unshelve":
            scenario.actions.unshelve(alert.id, by="manager", now=scenario.now)
        elif action == "acknowledge":
            scenario.actions.acknowledge(alert.id, by="manager", now=scenario.now)
        elif action == "reopen":
            if alert.cleared is not None and not alert.describe()[0].get("withdrawn"):
                scenario.reopen(alert)
        elif alert.cleared is None:
            if action == "escalate" and alert.priority != "high":
                scenario.escalate(alert)
            elif action in ("clear", "withdraw"):
                scenario.clear(alert, withdrawn=action == "withdraw")


def end(scenario: AlertScenario) -> None:
    """Return all hammers to service, let shelving end, and let every digest be sent."""
    scenario.alarms = scenario.alarms.model_copy(update={"suppressed": ()})
    scenario.restart()
    for name in HAMMERS:
        scenario.actions.in_service(name, by="fitter", now=scenario.now)
    for _ in range(3):
        scenario.wait(3600)


@settings(max_examples=examples(15))
@given(actions)
def test_every_alert_is_sent_once_and_raised_comes_first(steps: list[tuple[Any, ...]]) -> None:
    with tempfile.TemporaryDirectory() as folder, closing(AlertScenario(Path(folder), **ALARMS)) as scenario:
        play(scenario, steps)
        end(scenario)
        _check(scenario)


def _check(scenario: AlertScenario) -> None:
    sent, rows = scenario.sent(), scenario.rows()
    with scenario.store.read() as connection:
        assert connection.exec_driver_sql("select count(*) from alerts").scalar() == len(scenario.raised)
    for alert, row in zip(scenario.raised, rows, strict=True):
        steps = [step for step, body in sent if body.get("id") == alert.id]
        listed = [
            record
            for step, body in sent
            if step == "digest"
            for record in body["alerts"]
            if record["id"] == alert.id
        ]
        active = [record for record in listed if record["cleared"] is None]
        reopened = scenario.reopened[alert.id]
        brief = "".join(step[0] for step in steps)
        assert re.fullmatch("(re?c)*(re?)?", brief), "each once in a round, and in order"
        assert steps.count("raised") <= 1 + reopened
        assert len(active) <= 1 + reopened
        assert len(listed) <= 2 * (1 + reopened)
        known = [
            record["cleared"]
            for _, body in sent
            for record in body.get("alerts", [body])
            if record["id"] == alert.id
        ]
        if known:
            assert (known[-1] is None) == (alert.cleared is None), "what receivers know is true"
        if steps and listed and not reopened:
            assert next(body for step, body in sent if body.get("id") == alert.id)["priority"] == "high"
        assert not row["held"]
        assert row["due_ns"] is None
        assert row["state"] not in SUPPRESSED
        if alert.cleared is None:
            assert steps or listed, "an active alert is sent"
            assert not steps or alert.priority in (
                steps and [b["priority"] for _, b in sent if b.get("id") == alert.id]
            )
        elif not known:
            _check_not_sent(scenario, alert, row)


def _check_not_sent(scenario: AlertScenario, alert: Any, row: Any) -> None:
    """Check why an ended alert was never sent: suppressed, shorter than its delay, or withdrawn."""
    events = {line["event"] for line in scenario.actions.history(alert.id)}
    suppressed = events & {"shelve", "out_of_service", "suppress"}
    short = alert.fault == "slow" and alert.cleared - alert.onset < 20e9
    assert row["sent_as"] == ""
    assert suppressed or short or alert.describe()[0].get("withdrawn")


@settings(max_examples=examples(8))
@given(actions, st.frozensets(st.integers(0, 44), max_size=12))
def test_restarts_change_nothing(steps: list[tuple[Any, ...]], restarts: frozenset[int]) -> None:
    """Every message and every line of the history is the same."""
    outcomes = []
    for restart_at in (frozenset[int](), restarts):
        with (
            tempfile.TemporaryDirectory() as folder,
            closing(AlertScenario(Path(folder), **ALARMS)) as scenario,
        ):
            play(scenario, steps, restart_at)
            end(scenario)
            history = [scenario.actions.history(alert.id) for alert in scenario.raised]
            outcomes.append((scenario.sent(), history))
    assert outcomes[0] == outcomes[1]


class ReadingAnew(AlertScenario):
    """A processor that reads all of floods again in each step."""

    def commit(self, *changes: Change) -> None:
        with self.store.write():
            pass
        super().commit(*changes)


class BesideAnother(AlertScenario):
    """One with another process, in which people act."""

    def open(self) -> None:
        super().open()
        self.other = SharedDatabase(self.path)
        self.actions = AlertActions(self.other, 168 * HOUR_NS)

    def close(self) -> None:
        self.other.__exit__()
        super().close()


class RefusedAtFirst(AlertScenario):
    """One whose database refuses each step once, after all changes have been written."""

    def commit(self, *changes: Change) -> None:
        nothing: Any = None
        with pytest.raises(Unstorable):
            self.store.commit(StepRecord(self.now, changes=changes, stream_batch=(nothing, 1)))
        super().commit(*changes)


def flood_and(*changed: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    """Six alerts, the last of which is held in a flood; then a change of it, and an alert that extends the flood."""
    raised = [
        action
        for k in range(6)
        for action in (("raise", HAMMERS[k % 3], "same_spot", "medium", 0.0), ("wait", 1.0))
    ]
    return [*raised, *changed, ("wait", 200.0), ("wait", 200.0), raised[0]]


@settings(max_examples=examples(10))
@given(actions)
@example(flood_and(("shelve", 5, 1000.0)))
@example(flood_and(("withdraw", 5)))
def test_what_is_kept_of_floods_between_steps_changes_nothing(steps: list[tuple[Any, ...]]) -> None:
    outcomes = []
    for kind in (ReadingAnew, AlertScenario, BesideAnother, RefusedAtFirst):
        with tempfile.TemporaryDirectory() as folder, closing(kind(Path(folder), **ALARMS)) as scenario:
            play(scenario, steps)
            with scenario.store.read() as connection:
                episodes = connection.exec_driver_sql("select * from storms order by seq").fetchall()
            before_end = episodes, scenario.rows()
            end(scenario)
            history = [scenario.actions.history(alert.id) for alert in scenario.raised]
            outcomes.append((before_end, scenario.sent(), history))
    expected, alone, beside_another, refused_at_first = outcomes
    assert alone == expected
    assert beside_another == expected
    assert refused_at_first == expected


def test_the_random_actions_can_reach_a_digest() -> None:
    """A sequence with a flood, shelving, out of service and a delay; otherwise the properties would prove little."""
    with tempfile.TemporaryDirectory() as folder, closing(AlertScenario(Path(folder), **ALARMS)) as scenario:
        raises = [("raise", HAMMERS[n % 3], "same_spot", "medium", 0.0) for n in range(12)]
        play(
            scenario,
            [
                *raises,
                ("out", "HB-01", None),
                ("raise", "HB-01", "slow", "low", 0.0),
                ("shelve", 1, 60.0),
            ],
        )
        end(scenario)
        steps = {step for step, _ in scenario.sent()}
        assert steps == {"raised", "digest"}
        _check(scenario)
