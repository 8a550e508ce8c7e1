"""A backup of a database in use is one committed state; it is complete, or has no name."""

import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from strikewatch.cli.main import main
from strikewatch.core.batch import Rows
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.copies import backup
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings
from tests.storage.test_store import KEY, NOW, change


def commit(store: Store, k: int) -> None:
    """A step that leaves the same number in three tables."""
    rows = Rows(np.arange(200) + NOW + 1000 * k, {"oil_c": np.full(200, float(k))})
    store.commit(
        StepRecord(
            NOW, [(KEY, rows)], changes=[change(onset=NOW + 1000 * k)], states={KEY: b"%d" % k}, layout="l"
        )
    )


def numbers(path: Path) -> tuple[int, int, int]:
    with closing(sqlite3.connect(path)) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        ((state,),) = copy.execute("SELECT state FROM hammer_state").fetchall()
        ((alerts,),) = copy.execute("SELECT count(*) FROM alerts").fetchall()
        ((arrived,),) = copy.execute("SELECT count(*) FROM arrived").fetchall()
    return int(state), alerts, arrived


def test_each_copy_of_a_busy_database_is_one_committed_state(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"})
    commit(store, 1)
    done = threading.Event()
    last = 1

    def work() -> None:
        nonlocal last
        while not done.is_set():
            last += 1
            commit(store, last)

    worker = threading.Thread(target=work)
    worker.start()
    seen = []
    try:
        for n in range(12):
            before = last
            backup(tmp_path / "watch.db", tmp_path / f"copy{n}.db")
            state, alerts, arrived = numbers(tmp_path / f"copy{n}.db")
            assert state == alerts == arrived
            assert state >= before - 1
            seen.append(state)
    finally:
        done.set()
        worker.join()
        store.close()
    assert seen == sorted(seen)
    assert seen[-1] > seen[0]
    assert sorted(one.name for one in tmp_path.glob("*copy*")) == sorted(f"copy{n}.db" for n in range(12))


def test_a_restored_copy_continues_from_its_state(tmp_path: Path) -> None:
    """The broker no longer has what came after the backup; what is sent again is accepted once."""
    store = Store(tmp_path / "watch.db", {"bench": "http://bench.test/"})
    commit(store, 1)
    backup(tmp_path / "watch.db", tmp_path / "copy.db")
    commit(store, 2)
    store.close()
    restored = Store(tmp_path / "copy.db", {"bench": "http://bench.test/"})
    assert restored.load().states == {KEY: ("l", b"1")}
    commit(restored, 2)
    commit(restored, 1)
    restored.close()
    assert numbers(tmp_path / "copy.db")[1] == 2


def test_recordings_made_after_a_backup_survive_its_restore_and_none_is_overwritten(
    tmp_path: Path,
) -> None:
    """Steps that waited to be recorded at the backup are recorded twice; none is missing or overwritten."""
    settings = RecorderSettings(folder=tmp_path / "recordings")
    store = Store(tmp_path / "watch.db")
    commit(store, 1)
    backup(tmp_path / "watch.db", tmp_path / "copy.db")
    commit(store, 2)
    Recorder(store, settings).flush(NOW)
    store.close()
    (first,) = (settings.folder / "pit").iterdir()
    before = (first / "samples.parquet").read_bytes()
    restored = Store(tmp_path / "copy.db")
    commit(restored, 3)
    Recorder(restored, settings).flush(NOW)
    restored.close()
    assert (first / "samples.parquet").read_bytes() == before
    shifts = sorted((settings.folder / "pit").iterdir())
    found = [sorted(set(pq.read_table(one / "samples.parquet")["oil_c"].to_pylist())) for one in shifts]
    assert found == [[1.0, 2.0], [1.0, 3.0]]


def test_a_failed_backup_names_the_cause_and_keeps_the_older_copy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(StoreError, match="there is no database"):
        backup(tmp_path / "none.db", tmp_path / "copy.db")
    store = Store(tmp_path / "watch.db")
    commit(store, 1)
    store.close()
    with pytest.raises(StoreError, match="is the database itself"):
        backup(tmp_path / "watch.db", tmp_path / "watch.db")
    with pytest.raises(StoreError, match=r"cannot copy .* room"):
        backup(tmp_path / "watch.db", tmp_path / "no" / "folder" / "copy.db")
    copy = tmp_path / "copy.db"
    copy.write_bytes(b"older")
    with (tmp_path / "watch.db").open("r+b") as file:
        file.seek(4096 * 3)
        file.write(os.urandom(4096 * 3))
    with pytest.raises(StoreError, match=r"damaged|malformed"):
        backup(tmp_path / "watch.db", copy)
    assert copy.read_bytes() == b"older"
    assert not list(tmp_path.glob(".*part*"))
    (tmp_path / "settings.toml").write_text('[store]\nurl = "postgresql://me@db.test/watch"\n')
    assert main(["backup", str(copy), "--config", str(tmp_path / "settings.toml")]) == 2
    assert "pg_dump --format=custom" in capsys.readouterr().err


def test_the_backup_command_prints_the_size_and_how_to_restore(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Store(tmp_path / "watch.db")
    commit(store, 1)
    (tmp_path / "settings.toml").write_text(f'[store]\npath = "{tmp_path / "watch.db"}"\n')
    assert main(["backup", str(tmp_path / "copy.db"), "--config", str(tmp_path / "settings.toml")]) == 0
    store.close()
    assert "MiB, complete and checked" in capsys.readouterr().out
    assert numbers(tmp_path / "copy.db") == (1, 1, 1)
