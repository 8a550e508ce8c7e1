"""The log of deliveries beside recordings: complete, and the basis on which queued messages count as sent."""

from pathlib import Path

import pytest
from sqlalchemy import URL, update

from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Outbox
from strikewatch.storage.outbox.outcomes import Outcome
from strikewatch.storage.recorder.delivery_log import (
    DELIVERIES,
    Delivery,
    delivered,
    mark_delivered,
    read_deliveries,
)
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.schema.tables import outbox
from strikewatch.storage.settings import RecorderSettings
from tests.storage.test_backup import commit
from tests.storage.test_store import NOW, change, query

BENCH = {"bench": "http://bench.test/"}
SINGLY = Alarms(flood_above=1000, chattering_raisings=1000)


def send_all(store: Store, at: int) -> None:
    """Deliver everything that waits."""
    box = Outbox(store, "bench")
    box.record_outcomes([Outcome(one.seq, "sent", 1, at, "200", at) for one in box.waiting()])
    box.flush()


def logs(folder: Path) -> list[list[str]]:
    """Return the names of the messages in the log of each recording."""
    shifts = sorted((folder / "pit").iterdir())
    return [[one.name for one in read_deliveries(shift)] for shift in shifts]


def test_each_delivery_is_logged_beside_a_recording(tmp_path: Path) -> None:
    """An outcome that is stored after a recording ended, though it was made before, is in the next one."""
    settings = RecorderSettings(folder=tmp_path / "recordings")
    store = Store(tmp_path / "watch.db", BENCH, alarms=SINGLY)
    recorder = Recorder(store, settings)
    names = []
    for k in range(4):
        commit(store, k)
        (waiting,) = Outbox(store, "bench").waiting()
        names.append(waiting.name)
        if k == 1:
            recorder.flush(NOW + k * SECOND)
            send_all(store, NOW)
        else:
            send_all(store, NOW + k * SECOND)
            recorder.flush(NOW + k * SECOND)
    assert set().union(*logs(settings.folder)) == set(names)
    store.close()


def test_queued_messages_that_were_delivered_count_as_sent(where: Path | URL) -> None:
    """The same message first, then one of the same alert and step; never more than were delivered."""
    store = Store(where, BENCH, alarms=SINGLY)
    store.commit(StepRecord(NOW, changes=[change(onset=NOW), change(onset=NOW + SECOND)]))
    first, second = Outbox(store, "bench").waiting()

    def mark(*known: Delivery) -> int:
        with store.write() as connection:
            return mark_delivered(connection, known, NOW)

    def delivery(name: str, step: str = "raised", endpoint: str = "bench") -> Delivery:
        return Delivery(endpoint, first.site, first.alert_id, step, name)

    assert mark(delivery(first.name, endpoint="other"), delivery(first.name, step="cleared")) == 0
    assert mark(delivery("of other content"), delivery("of other content")) == 1
    assert mark(delivery(first.name)) == 0
    assert [one.seq for one in Outbox(store, "bench").waiting()] == [second.seq]
    assert query(store, f"select state, last_outcome from outbox where seq = {first.seq}") == [
        ("sent", "delivered before the database was restored")
    ]
    store.close()


def test_messages_that_were_not_delivered_are_not_in_the_log(where: Path | URL) -> None:
    store = Store(where, BENCH, alarms=SINGLY)
    store.commit(StepRecord(NOW, changes=[change(onset=NOW + k * SECOND) for k in range(4)]))
    states = ("waiting", "parked", "sent", "sent")
    for one, state in zip(Outbox(store, "bench").waiting(), states, strict=True):
        with store.write() as connection:
            finished = {"state": state, "finished_ns": NOW + one.seq}
            connection.execute(update(outbox).where(outbox.c.seq == one.seq).values(finished))
    with store.read() as connection:
        sent = [one.about for one in delivered(connection, 0)]
        assert len(sent) == 2
        assert [one.about for one in delivered(connection, NOW + 4, "pit")] == sent[1:]
        assert delivered(connection, 0, "elsewhere") == []
    store.close()


def test_a_damaged_log_names_the_file_and_the_remedy(tmp_path: Path) -> None:
    assert read_deliveries(tmp_path) == []
    (tmp_path / DELIVERIES).write_text('{"endpoint": "bench"}\n')
    with pytest.raises(StoreError, match=r"deliveries\.jsonl cannot be read.*Move it away"):
        read_deliveries(tmp_path)
