"""Old data is removed in batches; alerts that are active, waiting or not yet delivered stay."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import URL, text

from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.storage import retention
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.retention import DAY, RUN_EVERY_NS, Retention
from strikewatch.storage.settings import RecorderSettings, Settings
from tests.storage.test_store import KEY, NOW, query

DAYS = {"rejects_days": 5.0, "alerts_days": 20.0, "events_days": 20.0, "sent_days": 10.0}


class Clock:
    def __init__(self) -> None:
        self.ns = 0

    def __call__(self) -> int:
        return self.ns


def through(store: Store, now: int, **settings: float) -> None:
    """Run a whole retention pass, in as many ticks as it takes."""
    keeper = Retention(store, Settings(**{**DAYS, **settings}), Clock())
    for _ in range(200):
        keeper.tick(now)


def day(store: Store, k: int, *, cleared: bool = True, sent: bool = True) -> None:
    """Store day `k`: a delivered alert that has ended, an applied event, a reject."""
    now = NOW + k * DAY
    alert = Alert("same_spot", *KEY, None, "high", now)
    changes = [Change("raised", *KEY, alert.id, alert.record(), now)]
    if cleared:
        alert.cleared = now + 5
        changes.append(Change("cleared", *KEY, alert.id, alert.record(), now, now + 5))
    event = Event(*KEY, "check", now, {"note": str(k)}, applied=now)
    store.commit(
        StepRecord(
            now, events=[event], applied=[event], changes=changes, rejects=[Reject("t", b"x", "bad", str(k))]
        )
    )
    if sent:
        with store.write() as connection:
            connection.execute(
                text("update outbox set state = 'sent', finished_ns = created_ns where state = 'waiting'")
            )


def days_of(store: Store, table: str, column: str) -> list[int]:
    return sorted({(at - NOW) // DAY for (at,) in query(store, f"select {column} from {table}")})


@pytest.fixture
def store(where: Path | URL) -> Any:
    store = Store(where, {"bench": "http://bench.test/"})
    with store.write() as connection:
        connection.execute(text("select 1"))
    yield store
    store.close()


def settle(store: Store) -> None:
    """Acknowledge every alert and finish its deliveries."""
    with store.write() as connection:
        connection.execute(
            text(
                "update handling set state = 'normal', due_ns = null, held = false where id in "
                "(select id from alerts where cleared_ns is not null)"
            )
        )
        connection.execute(text("update storms set due_ns = null"))


def test_each_kind_of_data_is_removed_after_its_retention_time(store: Store) -> None:
    for k in range(31):
        day(store, k)
    settle(store)
    through(store, NOW + 30 * DAY)
    assert days_of(store, "alerts", "onset_ns") == list(range(10, 31))
    assert days_of(store, "handling", "onset_ns") == list(range(10, 31))
    assert days_of(store, "events", "received_ns") == list(range(10, 31))
    assert min(days_of(store, "outbox", "created_ns")) == 20
    assert days_of(store, "rejects", "received_ns") == list(range(25, 31))
    assert query(store, "select n from reject_counts") == [(31,)]
    held = [json.loads(record)["id"] for (record,) in query(store, "select record from alerts")]
    assert len(held) == 21


def test_active_unacknowledged_and_undelivered_alerts_stay(store: Store) -> None:
    """So do the messages sent about an active alert: its endpoint must also get its end."""
    day(store, 0, cleared=False)
    day(store, 1, sent=False)
    day(store, 2)
    day(store, 3)
    settle(store)
    with store.write() as connection:
        connection.execute(
            text(f"update outbox set state = 'waiting', finished_ns = null where created_ns = {NOW + DAY}")
        )
        connection.execute(
            text(f"update handling set state = 'unacknowledged' where onset_ns = {NOW + 2 * DAY}")
        )
    before = query(store, f"select count(*) from outbox where created_ns < {NOW + 3 * DAY}")
    through(store, NOW + 1000 * DAY)
    assert days_of(store, "alerts", "onset_ns") == [0, 1, 2]
    assert query(store, "select count(*) from outbox") == before
    pending = Event(*KEY, "check", NOW, {"note": "not yet"})
    store.commit(StepRecord(NOW, events=[pending]))
    through(store, NOW + 1000 * DAY)
    assert store.load().events == [pending]


def test_zero_days_remove_nothing(store: Store) -> None:
    day(store, 0)
    settle(store)
    before = [query(store, f"select * from {name}") for name in ("alerts", "events", "outbox", "rejects")]
    through(store, NOW + 10_000 * DAY, **dict.fromkeys(DAYS, 0.0))
    assert [
        query(store, f"select * from {name}") for name in ("alerts", "events", "outbox", "rejects")
    ] == before


def test_a_tick_removes_one_batch_and_a_pass_runs_once_an_hour(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "BATCH_ROWS", 200)
    flood = [Reject("t", b"x", "bad", str(i)) for i in range(450)]
    store.commit(StepRecord(NOW, rejects=flood))
    clock = Clock()
    keeper = Retention(store, Settings(**DAYS), clock)
    left = []
    for _ in range(12):
        keeper.tick(NOW + 6 * DAY)
        ((n,),) = query(store, "select count(*) from rejects")
        left.append(n)
    assert sorted({*left}, reverse=True) == [450, 250, 50, 0]
    store.commit(StepRecord(NOW, rejects=flood[:3]))
    for _ in range(12):
        keeper.tick(NOW + 6 * DAY)
    assert query(store, "select count(*) from rejects") == [(3,)]
    clock.ns += RUN_EVERY_NS
    for _ in range(12):
        keeper.tick(NOW + 6 * DAY)
    assert query(store, "select count(*) from rejects") == [(0,)]


def test_the_database_file_stops_growing_once_retention_is_reached(tmp_path: Path) -> None:
    """Thirty days of work kept for five: pages are reused, so the file is as large on day 30 as on day 10."""
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"})
    recorder = Recorder(store, RecorderSettings(folder=tmp_path / "recordings", keep_days=5))
    sizes = []
    for k in range(30):
        for part in range(20):
            at = NOW + k * DAY + part * 10**9
            rows = Rows(np.arange(2000) + at, {"oil_c": np.full(2000, 50.0), "pressure_bar": np.zeros(2000)})
            store.commit(StepRecord(at, [(KEY, rows)]))
        for part in range(20):
            at = NOW + k * DAY + part * 10**12
            alert = Alert("same_spot", *KEY, None, "high", at, at + 5)
            change = Change("raised", *KEY, alert.id, alert.record(), at, at + 5)
            store.commit(
                StepRecord(NOW + k * DAY, changes=[change], rejects=[Reject("t", b"x" * 4000, "bad", "")] * 5)
            )
        recorder.flush(NOW + k * DAY)
        with store.write() as connection:
            connection.execute(text("update outbox set state = 'sent', finished_ns = created_ns"))
        settle(store)
        through(store, NOW + k * DAY, rejects_days=5, alerts_days=5, events_days=5, sent_days=5)
        ((pages,),) = query(store, "select page_count from pragma_page_count()")
        sizes.append(pages)
    store.close()
    assert max(sizes) <= 1.1 * sizes[9]
