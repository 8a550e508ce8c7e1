"""Databases of every release are upgraded to this one, on SQLite and PostgreSQL, without loss."""

import hashlib
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, text

from strikewatch.core.alert import to_json
from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError
from strikewatch.storage.actions.rows import alert_row
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import open_database
from strikewatch.storage.engines.sqlite import PROCESSOR_PRAGMAS, open_engine
from strikewatch.storage.outbox.messages import Outbox
from strikewatch.storage.schema import SCHEMA_VERSION, VERSION_TABLE, tables, version
from tests.storage.test_store import NOW, change

FIRST_RELEASE = """
CREATE TABLE strikewatch_schema (version INTEGER NOT NULL, PRIMARY KEY (version));
CREATE TABLE hammer_state (site TEXT NOT NULL, hammer TEXT NOT NULL, layout TEXT NOT NULL, state BLOB NOT
 NULL, PRIMARY KEY (site, hammer)) WITHOUT ROWID;
CREATE TABLE alerts (site TEXT NOT NULL, id TEXT NOT NULL, hammer TEXT NOT NULL, fault TEXT NOT NULL,
 operator TEXT, priority TEXT NOT NULL, onset_ns BIGINT NOT NULL, cleared_ns BIGINT, historic BOOLEAN NOT
 NULL, ahead INTEGER NOT NULL, record TEXT NOT NULL, first_seen_ns BIGINT NOT NULL, updated_ns BIGINT NOT
 NULL, PRIMARY KEY (site, id)) WITHOUT ROWID;
CREATE INDEX alerts_by_onset ON alerts (site, onset_ns);
CREATE INDEX alerts_open ON alerts (onset_ns) WHERE cleared_ns IS NULL OR ahead != 0;
CREATE TABLE events (seq INTEGER NOT NULL, site TEXT NOT NULL, hammer TEXT NOT NULL, kind TEXT NOT NULL,
 time_ns BIGINT NOT NULL, fields TEXT NOT NULL, applied_ns BIGINT, received_ns BIGINT NOT NULL, PRIMARY KEY
 (seq), UNIQUE (site, hammer, kind, time_ns, fields));
CREATE INDEX events_pending ON events (time_ns) WHERE applied_ns IS NULL;
CREATE TABLE outbox (seq INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, endpoint TEXT NOT NULL, message TEXT
 NOT NULL, site TEXT NOT NULL, alert_id TEXT NOT NULL, step TEXT NOT NULL, body TEXT NOT NULL, created_ns
 BIGINT NOT NULL, due_ns BIGINT NOT NULL, attempts INTEGER NOT NULL, state TEXT NOT NULL, last_outcome TEXT,
 finished_ns BIGINT, UNIQUE (endpoint, message));
CREATE INDEX outbox_waiting ON outbox (endpoint, seq) WHERE state = 'waiting';
CREATE TABLE endpoints (name TEXT NOT NULL, url TEXT NOT NULL, off_ns BIGINT, reason TEXT, PRIMARY KEY
 (name));
CREATE TABLE arrived (seq INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, received_ns BIGINT NOT NULL, size
 INTEGER NOT NULL, rows BLOB NOT NULL);
CREATE TABLE segments (site TEXT NOT NULL, name TEXT NOT NULL, began_ns BIGINT NOT NULL, first_seq BIGINT
 NOT NULL, last_seq BIGINT NOT NULL, state TEXT NOT NULL, written_ns BIGINT, size BIGINT NOT NULL, PRIMARY
 KEY (site, name));
CREATE TABLE rejects (seq INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload BLOB NOT
 NULL, reason TEXT NOT NULL, detail TEXT NOT NULL, received_ns BIGINT NOT NULL);
CREATE TABLE reject_counts (reason TEXT NOT NULL, n BIGINT NOT NULL, PRIMARY KEY (reason));
INSERT INTO strikewatch_schema VALUES (1);
INSERT INTO hammer_state VALUES ('pit', 'HB-01', 'reading/1:18', x'00ff');
INSERT INTO alerts VALUES ('pit', 'a1', 'HB-01', 'same_spot', 'op-14', 'medium', 1000, NULL, 0, 0,
 '{"id": "a1", "site": "pit"}', 5, 6);
INSERT INTO events VALUES (3, 'pit', 'HB-01', 'sign_on', 900, '{"operator":"op-14"}', NULL, 5);
INSERT INTO outbox VALUES (7, 'bench', 'm', 'pit', 'a1', 'raised', '{}', 5, 5, 2, 'waiting', 'HTTP 500', NULL);
INSERT INTO endpoints VALUES ('bench', 'http://bench.test/', NULL, NULL);
INSERT INTO arrived VALUES (9, 5, 2, x'0102');
INSERT INTO segments VALUES ('pit', '20260304T071500.123Z', 4, 1, 8, 'written', 5, 100);
INSERT INTO rejects VALUES (4, 't', x'00', 'bad_json', 'line 1', 5);
INSERT INTO reject_counts VALUES ('bad_json', 12);
"""
"""A database as the first release wrote it, before there were revisions."""


def first_release(path: Path) -> None:
    with closing(sqlite3.connect(path)) as old:
        old.execute("PRAGMA journal_mode=WAL")
        old.executescript(FIRST_RELEASE)


def differences(connection: Connection) -> list[Any]:
    """Return what alembic would change to match `tables.py`."""
    context = MigrationContext.configure(
        connection, opts={"version_table": VERSION_TABLE, "compare_type": True}
    )
    return list(compare_metadata(context, tables.metadata))


def made(path: Path) -> set[str]:
    """Return the SQL of every table and index; alembic does not compare all of it."""
    with closing(sqlite3.connect(path)) as database:
        found = database.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return {re.sub(r"[\s()\"]+", " ", sql).strip() for (sql,) in found}


def test_a_database_of_the_first_release_is_upgraded_without_loss(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    first_release(path)
    with closing(sqlite3.connect(path)) as old:
        names = [name for (name,) in old.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        kept = sorted(set(names) - {version.FIRST_RELEASE_TABLE, "sqlite_sequence"})
        before = {name: old.execute(f"SELECT * FROM {name}").fetchall() for name in kept}
        columns = {name: [c[1] for c in old.execute(f"PRAGMA table_info({name})")] for name in kept}
    store = Store(path, {"bench": "http://bench.test/"})
    with store.read() as connection:
        for name in kept:
            after = connection.execute(text(f"SELECT {', '.join(columns[name])} FROM {name}"))
            assert [tuple(row) for row in after] == before[name], name
        assert differences(connection) == []
    saved = store.load()
    assert saved.states == {("pit", "HB-01"): ("reading/1:18", b"\x00\xff")}
    assert [one.record["id"] for one in saved.alerts] == ["a1"]
    assert [one.attempts for one in Outbox(store, "bench").waiting()] == [2]
    store.close()
    (copy,) = tmp_path.glob("watch.db.before-*")
    with closing(sqlite3.connect(copy)) as old:
        assert old.execute("SELECT version FROM strikewatch_schema").fetchall() == [(1,)]
    Store(path).close()


def test_alerts_and_deliveries_under_way_in_the_first_release_end_once(tmp_path: Path) -> None:
    """One alert whose message waits after two attempts, one that was sent, and one whose message was given up.

    They clear, each receiver of `raised` gets one `cleared`, and nothing is sent a second time.
    """
    path, now = tmp_path / "watch.db", NOW + 3600 * SECOND
    first_release(path)
    onsets = [NOW + k * SECOND for k in range(3)]
    raised = [change(onset=onset) for onset in onsets]
    with closing(sqlite3.connect(path)) as old:
        old.execute("DELETE FROM alerts")
        old.execute("DELETE FROM outbox")
        for k, one in enumerate(raised):
            row = alert_row(one, NOW)
            marks = ", ".join("?" * len(row))
            old.execute(f"INSERT INTO alerts ({', '.join(row)}) VALUES ({marks})", list(row.values()))
            state, attempts = (("waiting", 2), ("sent", 1), ("parked", 9))[k]
            done = None if state == "waiting" else NOW
            body = to_json(one.record)
            content = f"pit\n{one.alert_id}\nraised\n{body}"
            name = hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
            old.execute(
                "INSERT INTO outbox (endpoint, message, site, alert_id, step, body, created_ns, due_ns, attempts, "
                "state, finished_ns) VALUES ('bench', ?, 'pit', ?, 'raised', ?, ?, ?, ?, ?, ?)",
                [name, one.alert_id, body, NOW, NOW, attempts, state, done],
            )
        old.commit()
    store = Store(path, {"bench": "http://bench.test/"})
    assert len(store.load().alerts) == 3
    store.process_due(now)
    store.commit(StepRecord(now, changes=raised))  # found again, as after a redelivery
    cleared = [change("cleared", onset=onset, cleared=now) for onset in onsets]
    for _ in range(2):
        store.commit(StepRecord(now, changes=cleared))
    store.process_due(now + 3600 * SECOND)
    assert store.load().alerts == []
    with store.read() as connection:
        sent = connection.execute(text("select alert_id, step, state, attempts from outbox order by seq"))
        found = [tuple(row) for row in sent]
        states = connection.execute(text("select state from handling")).scalars().all()
    ids = [one.alert_id for one in raised]
    assert found[:3] == [
        (ids[0], "raised", "waiting", 2),
        (ids[1], "raised", "sent", 1),
        (ids[2], "raised", "parked", 9),
    ]
    assert found[3:] == [(name, "cleared", "waiting", 0) for name in ids]
    assert states == ["returned_unacknowledged"] * 3
    store.close()


def test_a_migrated_database_equals_a_new_one(tmp_path: Path) -> None:
    """Compared by the SQL of every table and index, including `WITHOUT ROWID` and partial indexes."""
    first_release(tmp_path / "old.db")
    Store(tmp_path / "old.db").close()
    with open_engine(tmp_path / "all.db", PROCESSOR_PRAGMAS).begin() as connection:
        version.upgrade(connection, "")
    Store(tmp_path / "new.db").close()
    assert made(tmp_path / "old.db") == made(tmp_path / "new.db")
    assert made(tmp_path / "all.db") == made(tmp_path / "new.db")


def test_migrations_from_an_empty_database_match_the_tables(where: Path | URL) -> None:
    """As alembic compares them: tables, columns, types, indexes, unique constraints."""
    database = open_database(where)
    connection = database.connect()
    with database.transaction(connection):
        version.upgrade(connection, "")
        assert differences(connection) == []
        connection.execute(text("ALTER TABLE alerts ADD COLUMN more TEXT"))
        assert len(differences(connection)) == 1
    connection.close()
    database.release()


def test_the_schema_version_is_that_of_the_newest_migration() -> None:
    """The migrations form one line without branches."""
    scripts = ScriptDirectory.from_config(version._config())
    assert scripts.get_heads() == [SCHEMA_VERSION]
    assert [one.revision for one in scripts.walk_revisions()][-1] == version.FIRST_VERSION


def test_a_newer_database_is_refused_and_unchanged(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    Store(path).close()
    with closing(sqlite3.connect(path)) as newer, newer:
        newer.execute("UPDATE strikewatch_revision SET version_num = '9999'")
        newer.execute("CREATE TABLE of_tomorrow (x)")
    before = made(path)
    with pytest.raises(StoreError, match=r"watch\.db has schema version 9999.*use the newer release"):
        Store(path)
    assert made(path) == before


def test_a_failed_upgrade_leaves_the_database_unchanged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watch.db"
    first_release(path)
    before = made(path)

    def fails(connection: Connection, found: str) -> None:
        version.upgrade(connection, found)
        raise StoreError("no more")

    monkeypatch.setattr("strikewatch.storage.commit.store.upgrade", fails)
    with pytest.raises(StoreError, match="no more"):
        Store(path)
    assert made(path) == before
    monkeypatch.undo()
    Store(path).close()
