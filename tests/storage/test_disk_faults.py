"""A full disk and a locked, replaced or read-only database are reported clearly, and nothing is lost."""

import os
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest

from strikewatch.core.batch import Rows
from strikewatch.errors import StoreBlocked, StoreError, StoreLost
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk as disk_engine
from strikewatch.storage.engines import sqlite
from tests.disk import SmallDisk, frozen
from tests.storage.test_store import KEY, NOW, change


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    with SmallDisk(tmp_path / "disk", mib=24) as one:
        yield one


def big(k: int) -> StepRecord:
    rows = Rows(np.arange(10_000) + NOW + k, {"oil_c": np.full(10_000, float(k))})
    return StepRecord(
        NOW + k, [(KEY, rows)], changes=[change(onset=NOW + 1000 * k)], states={KEY: b"%d" % k}, layout="l"
    )


def until_refused(store: Store, k: int) -> int:
    """Commit steps from `k` on; return the first that the database refused."""
    while True:
        try:
            store.commit(big(k))
        except StoreBlocked:
            return k
        k += 1


def committed(path: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("pragma integrity_check").fetchone() == ("ok",)
        return (
            database.execute("select count(*) from alerts").fetchone()[0],
            database.execute("select count(*) from arrived").fetchone()[0],
        )


def test_a_full_disk_uses_the_reserve_then_refuses_commits_until_there_is_room(
    disk: SmallDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disk_engine, "CHECK_EVERY_S", 0.0)
    store = Store(disk.folder / "watch.db", reserve_mib=4)
    disk.fill(leave_mib=2)
    first = until_refused(store, 0)
    assert not (disk.folder / "watch.db-reserve").exists()
    store.commit(big(first))
    assert store.disk_warning is not None
    assert "disk full" in store.disk_warning
    done = until_refused(store, first + 1)
    disk.free()
    for k in range(done, done + 3):
        store.commit(big(k))
    assert store.disk_warning is None
    assert (disk.folder / "watch.db-reserve").stat().st_size == 4 << 20
    assert store.load().states == {KEY: ("l", b"%d" % (done + 2))}
    store.close()
    assert committed(disk.folder / "watch.db") == (done + 3, done + 3)


def test_a_commit_waits_while_another_program_locks_the_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        sqlite,
        "PROCESSOR_PRAGMAS",
        tuple(pragma.replace("timeout=10000", "timeout=50") for pragma in sqlite.PROCESSOR_PRAGMAS),
    )
    store = Store(tmp_path / "watch.db")
    with closing(sqlite3.connect(tmp_path / "watch.db", isolation_level=None)) as intruder:
        intruder.execute("begin immediate")
        with pytest.raises(StoreBlocked, match="locked"):
            store.commit(big(1))
        assert store.load().states == {}
        intruder.execute("rollback")
    store.commit(big(1))
    store.close()
    assert committed(tmp_path / "watch.db") == (1, 1)


@pytest.mark.parametrize("how", ["replaced", "removed", "log removed"])
def test_a_replaced_or_removed_database_file_is_detected(tmp_path: Path, how: str) -> None:
    """Whatever is written afterwards would be lost at the next start."""
    path = tmp_path / "watch.db"
    store = Store(path)
    store.commit(big(1))
    if how == "log removed":
        path.with_name("watch.db-wal").unlink()
    else:
        path.rename(tmp_path / "aside.db")
    if how == "replaced":
        with closing(sqlite3.connect(path)) as other:
            other.execute("create table other (x)")
    for _ in range(2):
        with pytest.raises(StoreLost, match=r"replaced or removed while in use.*start again"):
            store.commit(big(2))
    store.close()


def test_a_file_replaced_during_a_commit_is_not_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    store = Store(path)
    with pytest.raises(StoreLost), store.write():
        path.rename(tmp_path / "aside.db")
    store.close()


@pytest.mark.parametrize("what", ["folder", "file"])
def test_an_unwritable_database_is_reported_at_start_up(what: str) -> None:
    """Runs as another user, since root may write everywhere."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "watch.db"
        Store(path).close()
        for file in folder.iterdir():
            file.chmod(0o666)
        if what == "file":
            path.chmod(0o444)
        folder.chmod(0o555 if what == "folder" else 0o777)
        with another_user(), pytest.raises(StoreError, match=r"watch\.db.*(writable|written)"):
            Store(path)
        folder.chmod(0o755)


@contextmanager
def another_user() -> Iterator[None]:
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_a_database_that_turns_read_only_refuses_commits_until_it_is_writable(
    tmp_path: Path,
) -> None:
    path = tmp_path / "watch.db"
    store = Store(path)
    store.commit(big(1))
    with frozen(path, path.with_name("watch.db-wal")):
        for _ in range(2):
            with pytest.raises(StoreBlocked, match=r"watch\.db: .*may be written"):
                store.commit(big(2))
        assert store.load().states == {KEY: ("l", b"1")}
    store.commit(big(2))
    store.close()
    assert committed(path) == (2, 2)


def test_a_read_only_disk_is_reported_at_start_up(disk: SmallDisk) -> None:
    path = disk.folder / "watch.db"
    Store(path).close()
    subprocess.run(["mount", "-o", "remount,ro", str(disk.folder)], check=True)
    with pytest.raises(StoreError, match=r"watch\.db: .*may be written"):
        Store(path)
