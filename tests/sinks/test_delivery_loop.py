"""A repetition after a crash comes before any later message of the same alert."""

from pathlib import Path

from sqlalchemy import URL, text

from strikewatch.core.instant import Instant
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.endpoint import Endpoint, SendResult
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox
from tests.sinks.bench import START, Clock, change


class Witness:
    """Takes everything; notes what was on record as sent when each message came."""

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
        """Holds nothing."""

    def close(self) -> None:
        """Holds nothing."""


def test_a_step_is_sent_only_once_the_step_before_is_on_record_as_sent(where: Path | URL) -> None:
    """Three alerts raised and cleared in one commit: at each `cleared`, its `raised` is written."""
    clock = Clock()
    store = Store(where, {"bench": "http://bench.test/"})
    try:
        witness = Witness(store)
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
    finally:
        store.close()
