"""PostgreSQL only: the writer's lock, lost sessions, refusals and durability settings."""

import pytest
from sqlalchemy import URL, text

from strikewatch.errors import StoreBlocked, StoreError, StoreLost
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.postgresql import PostgresqlServer
from tests.postgresql import Postgresql
from tests.storage.test_store import KEY, NOW, change, query
from tests.waiting import until


@pytest.fixture
def url(postgresql: Postgresql) -> URL:
    return postgresql.database()


def test_a_session_ended_by_the_server_stops_the_store_and_stores_nothing_of_the_step(
    postgresql: Postgresql, url: URL
) -> None:
    """Another processor may have used the database since, so this one must not continue with its memory."""
    store = Store(url)
    store.commit(StepRecord(NOW, states={KEY: b"first"}, layout="l"))
    postgresql.ask(url.database, "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'")
    for _ in range(2):
        with pytest.raises(StoreLost, match="session has ended"):
            store.commit(StepRecord(NOW, states={KEY: b"second"}, layout="l"))
    again = Store(url)
    assert again.load().states == {KEY: ("l", b"first")}
    again.close()
    store.close()


def test_a_server_restart_ends_the_store_and_a_new_one_continues() -> None:
    with Postgresql() as server:
        url = server.database()
        store = Store(url)
        store.commit(StepRecord(NOW, changes=[change()]))
        server.kill()
        with pytest.raises(StoreLost):
            store.commit(StepRecord(NOW, changes=[change()]))
        store.close()
        with pytest.raises(StoreError, match=r"127\.0\.0\.1.*Check that the server is reachable"):
            Store(url)
        server.start()
        again = Store(url)
        assert len(again.load().alerts) == 1
        again.close()


def test_a_read_only_server_refuses_commits_until_it_is_writable() -> None:
    with Postgresql() as server:
        url = server.database()
        store = Store(url)
        store.commit(StepRecord(NOW, states={KEY: b"1"}, layout="l"))
        for mode in ("on", "off"):
            server.ask(url.database, f"ALTER SYSTEM SET default_transaction_read_only = {mode}")
            server.ask(url.database, "SELECT pg_reload_conf()")
            until(lambda m=mode: server.ask(url.database, "SHOW default_transaction_read_only") == [(m,)])
            if mode == "on":
                with pytest.raises(StoreBlocked, match="read-only transaction"):
                    store.commit(StepRecord(NOW, states={KEY: b"2"}, layout="l"))
                assert store.load().states == {KEY: ("l", b"1")}
        store.commit(StepRecord(NOW, states={KEY: b"2"}, layout="l"))
        assert store.load().states == {KEY: ("l", b"2")}
        store.close()


def test_the_writers_lock_is_per_schema_and_ends_with_the_session(postgresql: Postgresql, url: URL) -> None:
    store = Store(url)
    with pytest.raises(StoreError, match="in use by another strikewatch"):
        Store(url)
    postgresql.ask(url.database, "CREATE SCHEMA other")
    other_schema = Store(url.update_query_dict({"options": "-c search_path=other"}))
    other_schema.commit(StepRecord(NOW, states={KEY: b"x"}, layout="l"))
    assert store.load().states == {}
    other_schema.close()
    store.close()
    Store(url).close()


def test_commits_are_synced_whatever_the_servers_default(postgresql: Postgresql, url: URL) -> None:
    postgresql.ask(url.database, f"ALTER DATABASE {url.database} SET synchronous_commit = off")
    store = Store(url)
    with store.write() as connection:
        assert connection.scalar(text("SHOW synchronous_commit")) == "on"
    store.close()


def test_foreign_and_newer_databases_and_other_encodings_are_refused(
    postgresql: Postgresql, url: URL
) -> None:
    Store(url).close()
    postgresql.ask(url.database, "UPDATE strikewatch_revision SET version_num = '9999'")
    with pytest.raises(StoreError, match="schema version 9999"):
        Store(url)
    foreign = postgresql.database()
    postgresql.ask(foreign.database, "CREATE TABLE theirs (x integer)")
    with pytest.raises(StoreError, match="another program's database"):
        Store(foreign)
    with pytest.raises(StoreError, match="has the encoding SQL_ASCII"):
        Store(postgresql.database("SQL_ASCII"))


def test_text_that_postgresql_cannot_store_is_replaced(where: URL) -> None:
    """U+0000 in the text of a reject would be refused on every retry."""
    store = Store(where)
    store.commit(StepRecord(NOW, rejects=[Reject("a\0b", b"\0", "bad_json", "at \0\ud800")]))
    assert query(store, "select topic, detail from rejects") == [("a\ufffdb", "at \ufffd?")]
    store.close()


def test_no_password_is_shown() -> None:
    name = PostgresqlServer(URL.create("postgresql", "watch", "secret", "127.0.0.1", 1, "watch")).name
    assert "secret" not in name
    assert "watch" in name
