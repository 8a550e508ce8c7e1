"""The order of an endpoint's messages: in the queue, and by what is on record after a crash."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL, text

from strikewatch.core.instant import Instant
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.queue import Queue
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox
from tests.sinks.bench import START, Clock, change

ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.sampled_from("abc"), st.integers(0, 20)),
        st.tuples(st.just("done"), st.just(""), st.just(0)),
        st.tuples(st.just("again"), st.just(""), st.integers(1, 20)),
    ),
    max_size=60,
)


def message(seq: int, alert: str) -> Message:
    return Message(seq, "pit", alert, 0, 0, f"{seq}", "raised", "{}", 0)


@given(ACTIONS)
def test_no_step_overtakes_an_earlier_one_and_none_is_lost(actions: list[tuple[str, str, int]]) -> None:
    queue = Queue()
    now = added = 0
    waiting: dict[str, list[int]] = {"a": [], "b": [], "c": []}
    for what, alert, wait in actions:
        now += 1
        if what == "add":
            added += 1
            queue.add(message(added, alert), now + wait)
            waiting[alert].append(added)
            continue
        one = queue.take(now)
        if one is None:
            assert queue.next_due() is None or queue.next_due() > now  # type: ignore[operator]  # None is left
            continue
        assert one.due <= now
        assert waiting[one.alert_key[1]][0] == one.seq
        if what == "done":
            waiting[one.alert_key[1]].pop(0)
            queue.done(one)
        else:
            attempts = one.attempts
            queue.retry(one, now + wait)
            assert one.attempts == attempts + 1
    assert len(queue) == sum(len(line) for line in waiting.values())
    left: dict[str, list[int]] = {"a": [], "b": [], "c": []}
    while (one := queue.take(10**9)) is not None:
        left[one.alert_key[1]].append(one.seq)
        queue.done(one)
    assert left == waiting


def test_the_message_that_is_due_longest_is_sent_first() -> None:
    queue = Queue()
    for seq, (alert, due) in enumerate([("a", 30), ("b", 10), ("c", 20)]):
        queue.add(message(seq, alert), due)
    assert queue.next_due() == 10
    assert queue.take(5) is None
    assert [one.seq for one in iter(lambda: queue.take(30), None) if one] == [1, 2, 0]


def test_current_messages_are_sent_before_a_backlog() -> None:
    """Each by how long it has been due; the time at which to look again is the earliest of all."""
    queue = Queue()
    for seq, (alert, due, historic) in enumerate(
        [("a", 1, True), ("b", 2, True), ("c", 20, False), ("d", 10, False)]
    ):
        queue.add(replace(message(seq, alert), historic=historic), due)
    assert queue.next_due() == 1
    assert [one.seq for one in iter(lambda: queue.take(15), None) if one] == [3, 0, 1]
    assert queue.next_due() == 20


class RecordingSender:
    """Accepts everything; records how many messages of the alert were stored as sent when each one came."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.on_record: list[tuple[str, str, int]] = []

    def send(self, message: Message, now: Instant) -> SendResult:
        del now
        with self._store.read() as connection:
            sent = connection.execute(
                text("select count(*) from outbox where state = 'sent' and alert_id = :id"),
                {"id": message.alert_id},
            ).scalar_one()
        self.on_record.append((message.alert_id, message.step, sent))
        return SendResult(True, "taken")

    def idle(self) -> None:
        """Do nothing: there is no connection."""

    def close(self) -> None:
        """Do nothing: there is no connection."""


def test_a_step_is_sent_only_after_the_previous_one_is_stored_as_sent(where: Path | URL) -> None:
    """Three alerts raised and cleared in one commit: at each `cleared`, its `raised` is written."""
    clock = Clock()
    with closing(Store(where, {"bench": "http://bench.test/"})) as store:
        witness = RecordingSender(store)
        work = DeliveryLoop(
            Outbox(store, "bench"), Endpoint("bench", Schedule(), witness), clock.wall, clock.monotonic
        )
        alerts = [change(n, step) for step in ("raised", "cleared") for n in (1, 2, 3)]
        store.commit(StepRecord(START, changes=alerts))
        work.load()
        work.send_due(lambda: False)
        assert [(step, sent) for _, step, sent in witness.on_record] == [("raised", 0)] * 3 + [
            ("cleared", 1)
        ] * 3
