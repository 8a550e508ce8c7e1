"""What is told before it can be stored has the name that it will be stored under, and is not told again."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import URL, text

from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.engine.self_alerts import DISK_FULL, DiskFullAlert
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.endpoint import Endpoint, SendResult
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox, queued_messages
from tests.sinks.yard import START, Clock, change

ENDPOINTS = {"yard": "http://yard.test/", "office": "http://office.test/"}


class Scripted:
    """Answers as told, then takes everything."""

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


def test_a_rehearsal_names_what_the_commit_will_queue_and_writes_nothing(store: Store) -> None:
    own = DiskFullAlert().update(True, ["pit"], START, 0)
    told = queued_messages(store, own, START)
    assert rows(store) == []
    assert [endpoint for endpoint, _ in told] == list(ENDPOINTS)
    store.commit(StepRecord(START, changes=[change(1, "raised"), *own]))
    stored = {(endpoint, name) for endpoint, name, *_ in rows(store)}
    assert {(endpoint, message.name) for endpoint, message in told} < stored
    assert {message.created for _, message in told} == {START}


def test_a_rehearsal_heeds_what_is_suppressed(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db", ENDPOINTS, alarms=Alarms(suppressed=(DISK_FULL.name,)))
    try:
        assert queued_messages(store, DiskFullAlert().update(True, ["pit"], START, 0), START) == []
    finally:
        store.close()


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_it_is_sent_until_taken_and_then_never_again(store: Store, failures: int) -> None:
    """Also where its end follows: `raised` once taken, then `cleared`, in order and each on record."""
    clock = Clock()
    sender = Scripted(*[False] * failures)
    work = DeliveryLoop(
        Outbox(store, "yard"),
        Endpoint("yard", Schedule(retry_s=(5, 5, 5), jitter=0), sender),
        clock.wall,
        clock.monotonic,
    )
    alert = DiskFullAlert()
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
    ours = [(state, attempts) for endpoint, _, state, attempts in rows(store) if endpoint == "yard"]
    assert ours == [("sent", failures + 1), ("sent", 1)]


def test_what_was_not_taken_in_time_goes_on_from_the_database_with_the_attempts_it_had(store: Store) -> None:
    clock = Clock()
    sender = Scripted(False)
    work = DeliveryLoop(
        Outbox(store, "yard"),
        Endpoint("yard", Schedule(retry_s=(5, 5), jitter=0), sender),
        clock.wall,
        clock.monotonic,
    )
    own = DiskFullAlert().update(True, ["pit"], START, 0)
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
    assert [(state, n) for endpoint, _, state, n in rows(store) if endpoint == "yard"] == [("sent", 2)]
