"""SQLite only: locking, durability settings, foreign files and use of indexes."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import event, text

from strikewatch.core.batch import Rows
from strikewatch.errors import StoreError
from strikewatch.storage.commit import prepared
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Outbox
from tests.storage.test_store import KEY, NOW, change


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"})
    yield store
    store.close()


def test_a_failed_commit_stores_nothing_and_the_store_continues(store: Store) -> None:
    """A full disk is simulated by SQLite's page limit."""
    store.commit(StepRecord(NOW, states={KEY: b"first"}, layout="l"))
    with store._lock:
        raw = store._writer.connection.dbapi_connection
        assert raw is not None
        pages = raw.cursor().execute("pragma page_count").fetchone()[0]
        raw.cursor().execute(f"pragma max_page_count={pages}")
    big = [(KEY, Rows(np.arange(100_000) + NOW, {"oil_c": np.zeros(100_000)}))]
    with pytest.raises(StoreError, match=r"watch\.db.*full.*disk has room"):
        store.commit(StepRecord(NOW, rows=big, changes=[change()], states={KEY: b"second"}, layout="l"))
    assert store.load().states == {KEY: ("l", b"first")}
    assert store.load().alerts == []
    with store._lock:
        raw.cursor().execute("pragma max_page_count=1000000")
    store.commit(StepRecord(NOW, rows=big, changes=[change()], states={KEY: b"third"}, layout="l"))
    assert store.load().states == {KEY: ("l", b"third")}


def test_a_writing_transaction_locks_the_file_from_its_start(store: Store) -> None:
    """A transaction that begins as a reader may be refused when it first writes."""
    intruder = sqlite3.connect(store.name, timeout=0)
    with store.write() as connection:
        connection.execute(text("select count(*) from alerts")).all()
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            intruder.execute("update alerts set priority = 'high'")
    intruder.execute("update alerts set priority = 'high'")
    intruder.close()


def test_durability_pragmas_are_set(store: Store) -> None:
    raw = store._writer.connection.dbapi_connection
    assert raw is not None
    got = [raw.cursor().execute(f"pragma {name}").fetchone()[0] for name in ("journal_mode", "synchronous")]
    assert got == ["wal", 2]


def test_databases_of_other_programs_are_refused_and_unchanged(tmp_path: Path) -> None:
    foreign = sqlite3.connect(tmp_path / "foreign.db")
    foreign.execute("create table theirs (x)")
    foreign.commit()
    with pytest.raises(StoreError, match="another program's database"):
        Store(tmp_path / "foreign.db")
    assert foreign.execute("select name from sqlite_master").fetchall() == [("theirs",)]
    foreign.close()
    (tmp_path / "noise.db").write_bytes(b"not a database" * 100)
    with pytest.raises(StoreError, match="not a database"):
        Store(tmp_path / "noise.db")


def test_queries_for_pending_rows_use_their_partial_indexes(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite uses a partial index only if the query repeats its condition literally."""
    asked: list[tuple[str, Any]] = []
    engine, run = store._database.engine, prepared._run_on_driver

    @event.listens_for(engine, "before_cursor_execute")
    def _note(_c: Any, _k: Any, statement: str, parameters: Any, _x: Any, _m: bool) -> None:
        asked.append((statement, parameters))

    def _run(connection: Any, sql: str, given: Any) -> Any:
        asked.append((sql, given))
        return run(connection, sql, given)

    monkeypatch.setattr(prepared, "_run_on_driver", _run)
    store.load()
    Outbox(store, "bench").waiting(3)
    event.remove(engine, "before_cursor_execute", _note)
    with store.read() as connection:
        plans = [
            " ".join(row[3] for row in connection.exec_driver_sql(f"explain query plan {sql}", values))
            for sql, values in asked
            if "FROM hammer_state" not in sql
        ]
    for index in ("alerts_open", "events_pending", "outbox_waiting"):
        assert any(index in plan for plan in plans), plans
    # What is recorded last and what waits to be: found from the end of each, without a pass over it.
    assert not any("SCAN" in plan and "INDEX" not in plan and plan != "SCAN arrived" for plan in plans), plans
