"""A restored copy of the database, and what was recorded since, make up the run that was not interrupted.

A second processor on the same broker is never restored; its alerts are what is expected.
"""

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from strikewatch.cli.main import main
from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreBlocked
from strikewatch.service.worker import Worker
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.copies import backup
from tests.broker import Broker
from tests.postgresql import Postgresql
from tests.receiver import Receiver
from tests.service.processor import Gateway, Processor, now_ns, until
from tests.service.test_live import fire, rest
from tests.storage.test_backup import commit

LATE = {"historic_after_s": 3600.0}


class Site:
    """A processor to be restored, one for comparison, and the work of two hammers."""

    def __init__(self, folder: Path, broker: Broker, receiver: Receiver, **tables: dict[str, Any]) -> None:
        self.receiver = receiver
        self.gateway = Gateway(broker)
        self.processor = Processor(folder / "restored", broker, receiver.url, intake=LATE, **tables)
        self.other = Processor(folder / "other", broker, intake=LATE)
        self.both = self.processor, self.other
        self.start = now_ns() - 250 * SECOND
        for one in self.both:
            one.start()

    def command(self, *words: str) -> int:
        return main([*words, "--config", str(self.processor.folder / "settings.toml")])

    def work_before(self) -> None:
        """One alert that ends, and one that is under way."""
        self.gateway.event("HB-03", self.start - SECOND, "sign_on", operator="op-14")
        fire(self.gateway, "HB-03", self.start, 0, 20)
        rest(self.gateway, "HB-03", self.start, 20, 30)
        fire(self.gateway, "HB-04", self.start, 0, 18)
        self.wait(("HB-03", 30), ("HB-04", 18))

    def work_after(self) -> None:
        """The second alert escalates and ends; another operator works with hot oil; the hammers go on working."""
        fire(self.gateway, "HB-04", self.start, 18, 40)
        rest(self.gateway, "HB-04", self.start, 40, 60)
        self.gateway.event("HB-03", self.start + 32 * SECOND, "sign_on", operator="op-15")
        fire(self.gateway, "HB-03", self.start, 30, 60, oil_c=84.0)
        self.gateway.event("HB-03", self.start + 60 * SECOND, "grease", strokes=[12, 4])
        rest(self.gateway, "HB-03", self.start, 60, 70)
        self.wait(("HB-03", 70), ("HB-04", 60))

    def work_last(self, first_s: int) -> None:
        """The oil is cool again, and one more alert."""
        fire(self.gateway, "HB-03", self.start, first_s, first_s + 20, oil_c=60.0)
        rest(self.gateway, "HB-03", self.start, first_s + 20, first_s + 30)
        rest(self.gateway, "HB-04", self.start, 60, first_s + 30)
        self.wait(("HB-03", first_s + 30), ("HB-04", first_s + 30))

    def wait(self, *reached: tuple[str, int]) -> None:
        self.gateway.settle()
        for one in self.both:
            for hammer, end_s in reached:
                one.wait_until_processed(hammer, self.start + end_s * SECOND - SECOND // 10)

    def wait_until_delivered(self) -> None:
        """Wait until nothing waits to be sent."""
        until(lambda: self.processor.query("select count(*) from outbox where state = 'waiting'") == [(0,)])

    def lose_database(self) -> None:
        for one in self.processor.folder.glob("strikewatch.db*"):
            one.unlink()

    def deliveries(self) -> Counter[tuple[str, str]]:
        """Count the deliveries by alert and step."""
        events = [one.event for one in self.receiver.received if one.event]
        return Counter((event["data"]["id"], event["type"].rpartition(".")[2]) for event in events)

    def assert_equal(self, *, without: tuple[str, ...] = ()) -> None:
        """Both processors have the same alerts, and each step of them was sent once."""
        self.wait_until_delivered()
        assert self.processor.stop() == 0
        assert self.other.stop() == 0
        kept = [one for one in self.processor.alerts() if one["fault"] not in without]
        assert kept == self.other.alerts()
        assert {one["fault"] for one in kept} == {"same_spot", "hot_oil", "grease_short"}
        assert {one["operator"] for one in kept} == {"op-14", "op-15", None}
        sent = self.deliveries()
        assert set(sent.values()) == {1}, sent
        assert {(one["id"], "raised") for one in self.processor.alerts()} <= sent.keys()
        spots = {(one["id"], "cleared") for one in kept if one["fault"] == "same_spot"}
        assert spots <= sent.keys()
        for table in ("bouts", "exposure"):
            query = f"select * from {table} order by 1, 2, 3"
            assert self.processor.query(query) == self.other.query(query)
        query = "select site, hammer, kind, time_ns, fields, applied_ns from events order by 1, 2, 4, 3"
        assert self.processor.query(query) == self.other.query(query)

    def end(self) -> None:
        self.gateway.close()
        for one in self.both:
            one.end()


@pytest.fixture
def site(tmp_path: Path, broker: Broker, receiver: Receiver) -> Iterator[Site]:
    one = Site(tmp_path, broker, receiver)
    yield one
    one.end()


def test_a_restored_database_has_every_alert_once_and_sends_nothing_twice(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The processor is killed; its database can still be read, so nothing is missing."""
    site.work_before()
    assert site.command("backup", str(tmp_path / "copy.db")) == 0
    site.work_after()
    site.wait_until_delivered()
    before = site.deliveries()
    site.processor.kill()
    capsys.readouterr()
    assert site.command("restore", str(tmp_path / "copy.db")) == 0
    assert "No data is missing." in capsys.readouterr().out
    assert list(site.processor.folder.glob("strikewatch.db.before-restore-*"))
    site.processor.start()
    site.work_last(70)
    site.assert_equal()
    assert site.deliveries().keys() > before.keys()


def test_a_replay_that_was_interrupted_is_repeated(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The database was lost after a clean stop. The replay stops after some steps, which are skipped afterwards."""
    site.work_before()
    assert site.command("backup", str(tmp_path / "copy.db")) == 0
    site.work_after()
    site.wait_until_delivered()
    assert site.processor.stop() == 0
    site.lose_database()
    original, steps = Worker.replay_recorded, iter(range(3))

    def interrupted(self: Worker, *arguments: Any) -> None:
        if next(steps, None) is None:
            raise StoreBlocked("the disk is full")
        original(self, *arguments)

    with monkeypatch.context() as patch:
        patch.setattr(Worker, "replay_recorded", interrupted)
        assert site.command("restore", str(tmp_path / "copy.db")) == 1
    assert "strikewatch restore --recordings-only" in capsys.readouterr().err
    assert site.command("restore", "--recordings-only") == 0
    site.processor.start()
    site.work_last(70)
    site.assert_equal(without=("data_missing",))


def test_time_that_no_recording_has_is_reported_and_is_no_lost_signal(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The computer is lost, and with it 50 s of work after the last recording."""
    site.work_before()
    assert site.command("backup", str(tmp_path / "copy.db")) == 0
    site.work_after()
    assert site.processor.stop() == 0
    site.processor.start()
    fire(site.gateway, "HB-03", site.start, 70, 120)
    rest(site.gateway, "HB-04", site.start, 60, 120)
    site.wait(("HB-03", 120), ("HB-04", 120))
    site.processor.kill()
    site.lose_database()
    assert site.command("restore", str(tmp_path / "copy.db")) == 0
    assert "may be missing; the alert data_missing says so" in capsys.readouterr().out
    site.processor.start()
    site.work_last(120)
    site.wait_until_delivered()
    assert site.processor.stop() == 0
    found = site.processor.alerts()
    assert "signal_lost" not in {one["fault"] for one in found}
    (missing,) = [one for one in found if one["fault"] == "data_missing"]
    assert missing["cleared"] is not None
    assert missing["evidence"]["missing_since"] < missing["evidence"]["missing_until"]
    assert (missing["id"], "raised") in site.deliveries()
    recorded = [one for one in site.other.alerts() if one["onset"] < missing["evidence"]["missing_since"]]
    assert len(recorded) == 5
    assert {one["id"] for one in recorded} < {one["id"] for one in found}


def test_a_restored_postgresql_database_is_filled_from_the_recordings(
    tmp_path: Path, broker: Broker, receiver: Receiver
) -> None:
    with Postgresql() as server:
        url = server.database()
        site = Site(tmp_path, broker, receiver, store={"url": str(url)})
        try:
            site.work_before()
            (tmp_path / "copy").write_bytes(server.dump(url))
            site.work_after()
            site.wait_until_delivered()
            assert site.processor.stop() == 0
            assert site.command("restore", str(tmp_path / "copy")) == 2
            server.restore(url, (tmp_path / "copy").read_bytes())
            assert site.command("restore", "--recordings-only") == 0
            site.processor.start()
            site.work_last(70)
            site.assert_equal(without=("data_missing",))
        finally:
            site.end()


def test_what_cannot_be_restored_is_refused_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is changed: not while the processor runs, and not from a file that is no copy."""
    database, copy = tmp_path / "watch.db", tmp_path / "copy.db"
    (tmp_path / "settings.toml").write_text(
        f'[store]\npath = "{database}"\n[recording]\nfolder = "{tmp_path / "recordings"}"\n'
    )

    def error(*words: str) -> str:
        assert main(["restore", *words, "--config", str(tmp_path / "settings.toml")]) in (1, 2)
        return capsys.readouterr().err

    store = Store(database)
    for k in range(20):
        commit(store, k)
    backup(database, copy)
    assert "in use by another strikewatch" in error(str(copy))
    assert "in use by another strikewatch" in error("--recordings-only")
    store.close()
    before = database.read_bytes()
    assert "there is no copy" in error(str(tmp_path / "none.db"))
    assert "is the database itself" in error(str(database))
    assert "give either the COPY" in error()
    assert "give either the COPY" in error(str(copy), "--recordings-only")
    (tmp_path / "text").write_text("no database" * 5000)
    assert error(str(tmp_path / "text")).endswith(
        "text cannot be used (file is not a database): name a file that strikewatch backup made\n"
    )
    (tmp_path / "empty").touch()
    assert "is empty" in error(str(tmp_path / "empty"))
    damaged = bytearray(copy.read_bytes())
    damaged[4096 * 3 : 4096 * 20] = bytes(4096 * 17)
    (tmp_path / "damaged.db").write_bytes(damaged)
    assert re.search("damaged|malformed", error(str(tmp_path / "damaged.db")))
    assert database.read_bytes() == before
    assert not list(tmp_path.glob(".watch.db*"))
