"""A disk that returns errors (EIO): nothing is acknowledged or lost, it is reported, and work continues afterwards."""

from collections.abc import Iterator
from pathlib import Path

import pytest

import strikewatch
from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.broker import Broker
from tests.failing_disk import FailingDisk
from tests.service.processor import FreshProcessor, Gateway, now_ns, until
from tests.service.test_live import fire, rest


@pytest.fixture
def gateway(tmp_path: Path) -> Iterator[tuple[Gateway, Broker]]:
    with Broker(tmp_path / "broker") as broker:
        one = Gateway(broker)
        yield one, broker
        one.close()


def test_errors_of_the_databases_disk_refuse_commits_until_they_end(
    gateway: tuple[Gateway, Broker], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then a kill: what was sent meanwhile is still at the broker, or in the database."""
    sender, broker = gateway
    disk = FailingDisk(tmp_path)
    processor = FreshProcessor(tmp_path / "watch", broker)
    start = now_ns() - 60 * SECOND
    with processor:
        with monkeypatch.context() as patch:
            patch.setenv("LD_PRELOAD", disk.library)
            processor.start()
        fire(sender, "HB-03", start, 0, 10)
        processor.wait_until_processed("HB-03", start + 9 * SECOND)
        with disk.failing("strikewatch.db"):
            fire(sender, "HB-03", start, 10, 20)
            rest(sender, "HB-03", start, 20, 30)
            sender.settle()
            (line, *_) = until(lambda: processor.lines("commit_refused"))
            assert "I/O error" in line["problem"]
            assert "Check that its disk" in line["problem"]
            assert processor.alerts() == []
            assert not processor.ended
        until(lambda: processor.lines("commit_succeeded"))
        with disk.failing("strikewatch.db"):
            fire(sender, "HB-03", start, 30, 50)
            sender.settle()
            until(lambda: len(processor.lines("commit_refused")) > 1)
            processor.kill()
        processor.start()
        rest(sender, "HB-03", start, 50, 60)
        processor.wait_until_processed("HB-03", start + 59 * SECOND)
        assert processor.stop() == 0
        onsets = [one["onset"] for one in processor.alerts()]
        assert onsets == [instant.text(start + 15 * SECOND), instant.text(start + 45 * SECOND)]


def test_errors_of_the_recordings_disk_delay_the_recordings_only(
    gateway: tuple[Gateway, Broker], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Alerts go on meanwhile, also after a restart; then every row is recorded once."""
    sender, broker = gateway
    disk = FailingDisk(tmp_path)
    processor = FreshProcessor(tmp_path / "watch", broker, recording={"roll_s": 1.0})
    start = now_ns() - 60 * SECOND
    with processor:
        with monkeypatch.context() as patch:
            patch.setenv("LD_PRELOAD", disk.library)
            with disk.failing("/recordings/"):
                processor.start()
                fire(sender, "HB-03", start, 0, 20)
                rest(sender, "HB-03", start, 20, 30)
                processor.wait_until_processed("HB-03", start + 29 * SECOND)
                (line, *_) = until(lambda: processor.lines("recorder_blocked"))
                assert "Input/output error" in line["problem"]
                processor.kill()
                processor.start()
                fire(sender, "HB-03", start, 30, 50)
                processor.wait_until_processed("HB-03", start + 49 * SECOND)
                assert not processor.ended
        assert len(processor.alerts()) == 2
        until(lambda: list(processor.recordings.rglob("samples.parquet")))
        assert processor.stop() == 0
        found = strikewatch.replay(processor.recordings)
        assert [one["id"] for one in processor.alerts()] == list(found["id"])
        assert processor.query("select count(*) from arrived") == [(0,)]
