"""Messages reach the delivery loop in memory and from the database: none is lost, none overtakes its alert's others."""

import tempfile
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import URL

from strikewatch.core.alert import Step
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import StoreBlocked
from strikewatch.sinks import Endpoint, SendResult, delivery_loop
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.outbox import deliveries, messages
from strikewatch.storage.outbox.messages import Message, Outbox
from strikewatch.storage.outbox.outcomes import Outcome
from tests.profiles import examples
from tests.sinks.bench import START, Clock, change
from tests.waiting import LIMIT_S

STEPS: tuple[Step, ...] = ("raised", "escalated", "cleared")
QUIET = Alarms(flood_above=10**6, flood_below=1)
ALERTS = 4
HISTORIC = (1, 2)
"""These of them were found late."""
COMMITS = st.tuples(st.just("commit"), st.lists(st.integers(0, ALERTS - 1), min_size=1, max_size=4))
SENDS = st.tuples(st.just("send"), st.lists(st.sampled_from([False, False, True]), max_size=4))
OTHERS = st.tuples(
    st.sampled_from(["load", "refresh", "again", "again", "test", "crash", "off and on"]), st.just([])
)
ACTIONS = st.lists(st.one_of(COMMITS, SENDS, OTHERS), min_size=8, max_size=25)


class CheckingSender:
    """Delivers, or fails as scripted; checks at each attempt that all earlier steps of the alert are delivered.

    `unrecorded`: messages that may be delivered once more, since a crash came before their outcome was written.
    """

    def __init__(self) -> None:
        self.script: list[bool] = []
        self.delivered: dict[str, list[str]] = {}
        self.unrecorded: set[str] = set()
        self._names: set[str] = set()

    def send(self, message: Message, now: Instant) -> SendResult:
        del now
        steps = self.delivered.setdefault(message.alert_id, [])
        if message.step != "test":
            position = STEPS.index(message.step)  # type: ignore[arg-type]  # found or not
            assert {*STEPS[:position]} <= {*steps}, f"{message.step} after {steps}"
            assert not {*STEPS[position + 1 :]} & {*steps}, f"{message.step} repeated after {steps}"
        assert message.name not in self._names - self.unrecorded, f"{message.step} delivered twice"
        delivered = self.script.pop(0) if self.script else True
        if delivered:
            self._names.add(message.name)
            self.unrecorded.discard(message.name)
            steps.append(message.step)
        return SendResult(delivered, "as scripted")

    def idle(self) -> None:
        """Do nothing: there is no connection."""

    def close(self) -> None:
        """Do nothing: there is no connection."""


class Run:
    """One endpoint of a database, through crashes of the processor."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = Clock()
        self.sender = CheckingSender()
        self.steps = [0] * ALERTS
        self.tests = 0
        self.open()

    def open(self) -> None:
        self.store = Store(self.path, {"bench": "http://bench.test/"}, alarms=QUIET)
        endpoint = Endpoint("bench", Schedule(retry_s=(5,), jitter=0), self.sender)
        self.loop = DeliveryLoop(Outbox(self.store, "bench"), endpoint, self.clock.wall, self.clock.monotonic)
        self.loop.refresh()

    def commit(self, alerts: list[int]) -> None:
        changes = []
        for n in alerts:
            if self.steps[n] < len(STEPS):
                changes.append(change(n, STEPS[self.steps[n]], historic=n in HISTORIC))
                self.steps[n] += 1
        self.store.commit(StepRecord(self.clock.now, changes=changes))

    def act(self, what: str, argument: list[Any]) -> None:
        if what == "commit":
            self.commit(argument)
        elif what == "send":
            self.sender.script = argument
            self.loop.load()
            self.loop.send_due(lambda: False)
            self.sender.script = []
            self.clock.advance(5)
        elif what == "crash":
            self.store.close()  # the outcomes that are not written are lost
            with SharedDatabase(self.path) as other, other.read() as connection:
                self.sender.unrecorded = {
                    one.message for one in deliveries.search(connection, state="waiting")
                }
            self.open()
        elif what in ("load", "refresh"):
            getattr(self.loop, what)()
        else:
            with SharedDatabase(self.path) as other, other.write() as connection:
                if what == "again":
                    deliveries.send_again(connection, self.clock.now, endpoint="bench")
                elif what == "test":
                    deliveries.queue_test(connection, "bench", self.clock.now)
                    self.tests += 1
                else:
                    deliveries.switch_off(connection, "bench", "for a moment", self.clock.now)
                    deliveries.switch_on(connection, "bench")

    def finish(self) -> None:
        for _ in range(2):
            self.act("again", [])
            self.loop.refresh()
            for _ in range(ALERTS * len(STEPS)):
                self.act("send", [])
        self.loop.idle()


@settings(max_examples=examples(20), deadline=None, phases=[Phase.explicit, Phase.generate])
@given(ACTIONS, st.sampled_from([1 << 20, 1_500]), st.sampled_from([1, 2, 1000]))
def test_each_message_is_delivered_in_order_however_it_reaches_the_loop(
    actions: list[tuple[str, list[Any]]], handover_bytes: int, historic: int
) -> None:
    """With failures, dead letters sent again, crashes, other processes, and few messages held in memory."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(messages, "MAX_HANDOVER_BYTES", handover_bytes)
        patch.setattr(delivery_loop, "MAX_HISTORIC", historic)
        run = Run(Path(folder) / "watch.db")
        for action in actions:
            run.act(*action)
        run.finish()
        expected = {change(n, "raised").alert_id: list(STEPS[:k]) for n, k in enumerate(run.steps) if k}
        delivered = {key: steps for key, steps in run.sender.delivered.items() if not key.startswith("test")}
        assert {key: list(dict.fromkeys(steps)) for key, steps in delivered.items()} == expected
        assert set(run.loop.outbox.counts()) <= {"sent", "parked"}
        run.store.close()


def test_what_was_just_committed_is_sent_without_reading_the_database(
    where: Path | URL, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 300 messages of one commit, each with what the database holds of it."""
    clock, sender = Clock(), CheckingSender()
    with closing(Store(where, {"bench": "http://bench.test/"}, alarms=QUIET)) as store:
        outbox = Outbox(store, "bench")
        loop = DeliveryLoop(outbox, Endpoint("bench", Schedule(), sender), clock.wall, clock.monotonic)
        loop.refresh()
        loop.load()
        store.commit(StepRecord(START, changes=[change(n, "raised") for n in range(300)]))
        handed = store.handovers["bench"].take()
        assert handed == outbox.waiting() + outbox.waiting(200)
        assert handed is not None
        for message in handed:
            store.handovers["bench"].put(message)

        def read(*_: object) -> None:
            raise AssertionError("read from the database")

        monkeypatch.setattr(Outbox, "waiting", read)
        monkeypatch.setattr(Outbox, "message", read)
        loop.load()
        while loop.next_due() is not None:
            loop.send_due(lambda: False)
        loop.idle()
        assert outbox.counts() == {"sent": 300}


def test_a_backlog_of_historic_messages_waits_in_the_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 600 messages of one commit; a current alert, which comes last, is sent before the others."""
    monkeypatch.setattr(delivery_loop, "MAX_HISTORIC", 50)
    clock, sender = Clock(), CheckingSender()
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"}, alarms=QUIET)
    try:
        outbox = Outbox(store, "bench")
        loop = DeliveryLoop(outbox, Endpoint("bench", Schedule(), sender), clock.wall, clock.monotonic)
        loop.refresh()
        late = [change(n, step, historic=True) for n in range(300) for step in STEPS[:2]]
        store.commit(StepRecord(START, changes=[*late, change(300, "raised")]))
        most = 0
        while outbox.counts() != {"sent": 601}:
            loop.load()
            most = max(most, len(loop._queue))
            loop.send_due(lambda: False)
            loop.idle()
            assert sender.delivered[change(300, "raised").alert_id] == ["raised"]
        assert most <= messages.PAGE_SIZE + 50
    finally:
        store.close()


def test_a_database_that_refuses_stops_no_message_that_is_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery_loop, "MAX_HISTORIC", 1)
    clock, sender = Clock(), CheckingSender()
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"}, alarms=QUIET)
    try:
        loop = DeliveryLoop(
            Outbox(store, "bench"), Endpoint("bench", Schedule(), sender), clock.wall, clock.monotonic
        )
        loop.refresh()
        changes = [change(n, "raised", historic=True) for n in (1, 2)]
        store.commit(StepRecord(START, changes=changes))
        loop.load()
        loop.send_due(lambda: False)
        assert [*sender.delivered] == [changes[0].alert_id]
        store.commit(StepRecord(START, changes=[change(3, "raised")]))

        def refuse(_wait_s: float) -> None:
            raise StoreBlocked("the disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(store, "flush", refuse)
            loop.load()
            loop.send_due(lambda: False)
            assert [*sender.delivered] == [changes[0].alert_id, change(3, "raised").alert_id]
        loop.load()
        loop.send_due(lambda: False)
        assert len(sender.delivered) == 3
    finally:
        store.close()


def test_only_messages_of_an_alert_with_an_unwritten_outcome_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the database refuses, other alerts are sent, nothing overtakes, and the refusal is raised once."""
    clock, sender = Clock(), CheckingSender()
    with closing(Store(tmp_path / "watch.db", {"bench": "http://bench.test/"}, alarms=QUIET)) as store:
        loop = DeliveryLoop(
            Outbox(store, "bench"), Endpoint("bench", Schedule(), sender), clock.wall, clock.monotonic
        )
        store.commit(
            StepRecord(START, changes=[change(1, "raised"), change(1, "cleared"), change(2, "raised")])
        )
        loop.refresh()
        first, second = change(1, "raised").alert_id, change(2, "raised").alert_id
        with monkeypatch.context() as patch:
            attempts = []

            def refuse(_wait_s: float) -> None:
                attempts.append("refused")
                raise StoreBlocked("the disk is full")

            patch.setattr(store, "flush", refuse)
            with pytest.raises(StoreBlocked):
                loop.send_due(lambda: False)
            assert attempts == ["refused"]
            assert sender.delivered == {first: ["raised"], second: ["raised"]}
        sender.delivered[first].append("escalated")  # this alert has no such step
        loop.send_due(lambda: False)
        assert sender.delivered[first] == ["raised", "escalated", "cleared"]


def test_outcomes_are_written_by_the_step_under_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A transaction of their own would delay the step by another sync."""
    monkeypatch.setattr(messages, "MAX_STEP_S", LIMIT_S)
    with closing(Store(tmp_path / "watch.db", {"bench": "http://bench.test/"}, alarms=QUIET)) as store:
        store.commit(StepRecord(START, changes=[change(1, "raised")]))
        outbox = Outbox(store, "bench")
        [message] = outbox.waiting()
        outcome = Outcome(message.seq, "sent", 1, START, "HTTP 200", START)
        committing: list[threading.Thread] = []
        with store.write() as connection:
            driver: Any = connection.connection.dbapi_connection
        outbox.record_outcomes([outcome])
        driver.set_trace_callback(
            lambda sql: committing.append(threading.current_thread()) if sql == "COMMIT" else None
        )
        store.begin_step()
        flushing = threading.Thread(target=outbox.flush)
        flushing.start()
        flushing.join(0.05)
        assert flushing.is_alive(), "it waits for the step"
        store.commit(StepRecord(START))
        flushing.join()
        assert outcome.written
        assert committing == [threading.current_thread()]


def test_a_handover_that_holds_too_much_drops_everything_until_it_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Or a later message of an alert would come without an earlier one."""
    monkeypatch.setattr(messages, "MAX_HANDOVER_BYTES", 1_500)
    handover = messages.Handover()
    one, two, three, four = (Message(n, "pit", "a", 0, 0, f"{n}", "raised", "x" * 400, 0) for n in range(4))
    handover.put(one)
    assert handover.take() is None  # the delivery loop has not read the database yet
    handover.put(one)
    assert handover.take() == [one]
    for message in (two, three, four):
        handover.put(message)
    assert handover.take() is None
    handover.put(four)
    assert handover.take() == [four]
