"""A message sent before it is stored has the name of the stored message, and is not sent again."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import URL, text

from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.engine.self_alerts import DISK_FULL, SelfAlert
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox, queued_messages
from tests.sinks.bench import START, Clock, change

ENDPOINTS = {"bench": "http://bench.test/", "office": "http://office.test/"}


class ScriptedSender:
    """Fails as often as scripted, then accepts everything."""

    def __init__(self, *script: bool) -> None:
        self.received: list[tuple[str, str]] = []
        self._script = list(script)

    def send(self, message: Message, now: Instant) -> SendResult:
        del now
        self.received.append((message.name, message.step))
        return SendResult(self._script.pop(0) if self._script else True, "as told")

    def idle(self) -> None:
        """Holds nothing."""

    def close(self) -> None:
        """Holds nothing."""


@pytest.fixture
def store(where: Path | URL) -> Iterator[Store]:
    one = Store(where, ENDPOINTS)
    yield one
    one.close()


def rows(store: Store) -> list[tuple[str, str, str, int]]:
    with store.read() as connection:
        asked = text("select endpoint, message, state, attempts from outbox order by seq")
        return [(a, b, c, d) for a, b, c, d in connection.execute(asked)]


def test_a_dry_run_names_the_messages_of_the_commit_and_writes_nothing(store: Store) -> None:
    own = SelfAlert(DISK_FULL).update(True, ["pit"], START, 0)
    told = queued_messages(store, own, START)
    assert rows(store) == []
    assert [endpoint for endpoint, _ in told] == list(ENDPOINTS)
    store.commit(StepRecord(START, changes=[change(1, "raised"), *own]))
    stored = {(endpoint, name) for endpoint, name, *_ in rows(store)}
    assert {(endpoint, message.name) for endpoint, message in told} < stored
    assert {message.created for _, message in told} == {START}


def test_a_dry_run_leaves_out_suppressed_faults(tmp_path: Path) -> None:
    with closing(
        Store(tmp_path / "watch.db", ENDPOINTS, alarms=Alarms(suppressed=(DISK_FULL.name,)))
    ) as store:
        assert queued_messages(store, SelfAlert(DISK_FULL).update(True, ["pit"], START, 0), START) == []


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_an_urgent_message_is_retried_until_delivered_and_not_repeated(store: Store, failures: int) -> None:
    """Also if the alert ends meanwhile: `raised` and then `cleared`, in order, each recorded."""
    clock = Clock()
    sender = ScriptedSender(*[False] * failures)
    work = DeliveryLoop(
        Outbox(store, "bench"),
        Endpoint("bench", Schedule(retry_s=(5, 5, 5), jitter=0), sender),
        clock.wall,
        clock.monotonic,
    )
    alert = SelfAlert(DISK_FULL)
    own = alert.update(True, ["pit"], START, 0)
    ((_, message), _) = queued_messages(store, own, START)
    work.urgent.add([message])
    for attempt in range(failures + 1):
        work.urgent.send(lambda: False)
        work.urgent.send(lambda: False)  # not before its time
        assert len(sender.received) == attempt + 1
        clock.advance(5)
    alert.update(False, [], START, 0)
    store.commit(StepRecord(START, changes=own))
    store.commit(StepRecord(START, changes=alert.update(False, [], START + SECOND, 10 * SECOND)))
    work.load()
    work.send_due(lambda: False)
    work.idle()
    assert [step for _, step in sender.received] == ["raised"] * (failures + 1) + ["cleared"]
    assert {name for name, step in sender.received if step == "raised"} == {message.name}
    ours = [(state, attempts) for endpoint, _, state, attempts in rows(store) if endpoint == "bench"]
    assert ours == [("sent", failures + 1), ("sent", 1)]


def test_an_undelivered_urgent_message_continues_from_the_database_with_its_attempts(store: Store) -> None:
    clock = Clock()
    sender = ScriptedSender(False)
    work = DeliveryLoop(
        Outbox(store, "bench"),
        Endpoint("bench", Schedule(retry_s=(5, 5), jitter=0), sender),
        clock.wall,
        clock.monotonic,
    )
    own = SelfAlert(DISK_FULL).update(True, ["pit"], START, 0)
    ((_, message), _) = queued_messages(store, own, START)
    work.urgent.add([message])
    work.urgent.send(lambda: False)
    store.commit(StepRecord(START, changes=own))
    work.load()
    work.send_due(lambda: False)
    assert len(sender.received) == 1
    clock.advance(5)
    work.urgent.send(lambda: False)
    work.send_due(lambda: False)
    work.idle()
    assert sender.received == [(message.name, "raised")] * 2
    assert [(state, n) for endpoint, _, state, n in rows(store) if endpoint == "bench"] == [("sent", 2)]
