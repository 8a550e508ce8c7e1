"""Outcomes of a stream's micro-batches in the database and in tables: each once, whatever is repeated."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from sqlalchemy import URL, func, select

from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError
from strikewatch.fleet.streaming.saved import Outcome
from strikewatch.fleet.streaming.sink import Sink
from strikewatch.settings.tree import Settings
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema import tables
from tests.fleet.messages import (
    NOW_MS,
    SAMPLES,
    Shard,
    firing,
)


@pytest.fixture
def store(where: Path | URL) -> Iterator[Store]:
    """On SQLite and on PostgreSQL."""
    store = Store(where, {"site": "https://alerts.example/hook"})
    yield store
    store.close()


def written(store: Store, sink: Sink, number: int, outcomes: list[Outcome]) -> tuple[int, int, int]:
    """Write a micro-batch; return the number of alerts, of waiting messages and of bouts."""
    sink.write(number, [one.encode() for one in outcomes])
    with store.read() as connection:
        found = [
            connection.scalar(select(func.count()).select_from(table)) or 0
            for table in (tables.alerts, tables.outbox, tables.bouts)
        ]
    return found[0], found[1], found[2]


def new_sink(store: Store, folder: Path | None = None) -> Sink:
    return Sink(store, folder, lambda: None, lambda _s: True, lambda: "a-stream")


def test_each_micro_batch_is_written_once(store: Store, tmp_path: Path) -> None:
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    shard.take([(SAMPLES, firing(20.5, 21))], NOW_MS + 21_000)
    idle = [{"time_ms": NOW_MS + 21_500 + 500 * k, "active": False} for k in range(8)]
    shard.take([(SAMPLES, json.dumps(idle).encode())], NOW_MS + 25_000)
    sink = new_sink(store, tmp_path)
    for number, outcome in enumerate(shard.outcomes):
        once = written(store, sink, number, [outcome])
        for _ in range(2):  # a new process after a kill, before Spark has noted the micro-batch
            assert written(store, new_sink(store, tmp_path), number, [outcome]) == once
    assert once == (1, 2, 1)
    steps = pq.read_table(tmp_path / "steps").to_pylist()
    assert [row["step"] for row in steps] == ["raised", "cleared"]
    assert len(pq.read_table(tmp_path / "bouts")) == 1
    assert store.newest_batch("a-stream") == 2
    assert store.newest_batch("another") == -1


def test_an_alert_continues_in_the_next_micro_batch_as_the_same_alert(store: Store) -> None:
    shard, sink = Shard.of(Settings()), new_sink(store)
    for k in range(8):
        shard.take([(SAMPLES, firing(5 * k, 5 * k + 4.5))], NOW_MS + 5000 * k + 4500)
    for number, outcome in enumerate(shard.outcomes):
        written(store, sink, number, [outcome])
    with store.read() as connection:
        rows = connection.execute(select(tables.alerts.c.priority, tables.alerts.c.fault)).all()
        steps = connection.scalars(select(tables.outbox.c.step).order_by(tables.outbox.c.seq)).all()
    assert [tuple(row) for row in rows] == [("high", "same_spot")]
    assert list(steps) == ["raised", "escalated"]


def test_a_database_that_refuses_is_an_alert_and_loses_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, urgent = 0, list[tuple[str, Any]]()
    commit, refusals = store.commit, [StoreError("disk I/O error")] * 15

    def wait(seconds: float) -> bool:
        nonlocal now
        now += round(seconds * SECOND)
        return False

    def refuse(record: StepRecord) -> None:
        if refusals:
            raise refusals.pop()
        commit(record)

    monkeypatch.setattr(store, "commit", refuse)
    sink = Sink(store, None, lambda: None, wait, lambda: "a-stream", urgent.extend, lambda: now)
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    written(store, sink, 0, shard.outcomes)
    assert [endpoint for endpoint, _ in urgent] == ["site"]
    for number in range(1, 9):
        wait(1.0)
        sink.write(number, [])
    with store.read() as connection:
        rows = connection.execute(select(tables.alerts.c.fault, tables.alerts.c.cleared_ns)).all()
    found = dict(tuple(row) for row in rows)
    assert found["same_spot"] is None
    assert found["database_unavailable"] is not None
