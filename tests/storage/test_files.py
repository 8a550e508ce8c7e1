"""Files are for their owner only, whatever the umask, and a database has one writer, whatever name it is opened by."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError, StoreLost
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.copies import backup
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings
from tests.broker import Broker
from tests.service.processor import Gateway, Processor, now_ns
from tests.storage.elsewhere import open_store, started
from tests.storage.test_backup import commit
from tests.storage.test_store import KEY, NOW, change


@pytest.fixture(autouse=True)
def no_umask() -> Iterator[None]:
    """Let new files be open to everybody, as far as the umask goes."""
    before = os.umask(0)
    yield
    os.umask(before)


def open_files(folder: Path) -> list[str]:
    """Return everything in a folder that other users have a permission for."""
    return sorted(
        str(one.relative_to(folder))
        for one in folder.rglob("*")
        if one.lstat().st_mode & 0o077 and not one.is_symlink()
    )


def test_new_files_are_private_whatever_the_umask(tmp_path: Path) -> None:
    store = Store(tmp_path / "data" / "watch.db", reserve_mib=1)
    commit(store, 1)
    recorder = Recorder(store, RecorderSettings(folder=tmp_path / "kept" / "recordings"))
    recorder.flush(NOW)
    backup(tmp_path / "data" / "watch.db", tmp_path / "copy.db")
    names = {one.name for one in tmp_path.rglob("*")}
    assert {"watch.db", "watch.db-wal", "watch.db-shm", "watch.db-claim", "watch.db-reserve"} <= names
    assert {"copy.db", "samples.parquet"} <= names
    assert open_files(tmp_path) == []
    store.close()


def test_files_of_an_earlier_release_are_made_private_at_start_and_logged(tmp_path: Path) -> None:
    settings = RecorderSettings(folder=tmp_path / "recordings")
    store = Store(tmp_path / "watch.db", reserve_mib=1)
    commit(store, 1)
    Recorder(store, settings).flush(NOW)
    store.close()
    (tmp_path / "watch.db.before-0009").write_bytes(b"")
    other = tmp_path / "recordings" / "link"
    other.symlink_to(tmp_path / "elsewhere")
    (tmp_path / "elsewhere").write_text("not ours to change")
    (tmp_path / "watch.dbx").write_text("likewise")
    for one in tmp_path.rglob("*"):
        one.chmod(0o755 if one.is_dir() else 0o644)
    tmp_path.chmod(0o755)
    with structlog.testing.capture_logs() as lines:
        store = Store(tmp_path / "watch.db", reserve_mib=1)
        Recorder(store, settings)
        store.close()
    assert [line["event"] for line in lines].count("permissions_tightened") == 2
    assert open_files(tmp_path) == ["elsewhere", "watch.dbx"]
    assert tmp_path.stat().st_mode & 0o777 == 0o755


def test_a_processor_keeps_all_its_files_private(tmp_path: Path) -> None:
    """Also a log that was rotated while it runs, and the recording that it writes when it stops."""
    with Broker(tmp_path / "broker") as broker:
        processor = Processor(tmp_path / "watch", broker)
        for one in (processor.folder / "settings.toml", processor.folder):
            one.chmod(0o700)
        with processor:
            processor.start()
            (processor.folder / "log").rename(processor.folder / "log.1")
            gateway = Gateway(broker)
            at = now_ns() - 10 * SECOND
            for second in range(5):
                gateway.block("HB-01", at + second * SECOND, 0.1, active=[True] * 10)
            gateway.settle()
            processor.wait_until_processed("HB-01", at + 4 * SECOND)
            assert processor.stop() == 0
            gateway.close()
        assert list(processor.recordings.rglob("samples.parquet"))
        assert (processor.folder / "log").exists()
        assert open_files(processor.folder) == ["stderr"]  # which the test opened


@pytest.mark.parametrize("link", ["file", "folder", "missing file"])
def test_a_symbolic_link_to_a_database_works_and_is_locked_by_its_real_path(
    tmp_path: Path, link: str
) -> None:
    real, name = tmp_path / "disk" / "watch.db", tmp_path / "watch.db"
    real.parent.mkdir()
    if link != "missing file":
        Store(real).close()
    if link == "folder":
        (tmp_path / "here").symlink_to(real.parent)
        name = tmp_path / "here" / "watch.db"
    else:
        name.symlink_to(real)
    store = Store(name, reserve_mib=1)
    store.commit(StepRecord(NOW, changes=[change()], states={KEY: b"1"}, layout="l"))
    for other in (name, real):
        with pytest.raises(StoreError, match="in use by another strikewatch"):
            Store(other)
        assert "in use by another strikewatch" in open_elsewhere(other)
    backup(name, tmp_path / "copy.db")
    store.close()
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith("watch.db-")] == []
    again = Store(real)
    assert again.load().states == {KEY: ("l", b"1")}
    again.close()


def test_a_link_that_is_changed_while_in_use_is_detected(tmp_path: Path) -> None:
    """After a restart the other file would be read, so what is written now would be missing."""
    name = tmp_path / "watch.db"
    name.symlink_to(tmp_path / "one.db")
    store = Store(name)
    (tmp_path / "two.db").touch()
    name.unlink()
    name.symlink_to(tmp_path / "two.db")
    with pytest.raises(StoreLost, match="replaced or removed"):
        commit(store, 1)
    store.close()


def test_a_second_name_of_a_database_is_recognised(tmp_path: Path) -> None:
    """A hard link; in the same process and in another one."""
    store = Store(tmp_path / "one.db")
    commit(store, 1)
    (tmp_path / "other").mkdir()
    second = tmp_path / "other" / "two.db"
    second.hardlink_to(tmp_path / "one.db")
    assert "in use by another strikewatch" in open_elsewhere(second)
    with pytest.raises(StoreError, match="under another name"):
        Store(second)
    commit(store, 2)
    store.close()
    assert open_elsewhere(second) == ""


def test_links_that_lead_to_each_other_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.db").symlink_to(tmp_path / "b.db")
    (tmp_path / "b.db").symlink_to(tmp_path / "a.db")
    with pytest.raises(StoreError, match=r"a\.db"):
        Store(tmp_path / "a.db")


def open_elsewhere(path: Path) -> str:
    """Open a database in another process; return the error, empty if there is none."""
    process, answer = started(open_store, path)
    with answer:
        error: str = answer.recv()
    process.join()
    return error
