"""What an early release left behind opens, migrates and goes on: its database, recording, settings and saved state.

`early_release/` was written by the processor of that time, stopped amid a flood while the webhook's receiver was away:
alerts stand, and all deliveries wait after two attempts each.
"""

import gzip
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

import strikewatch
from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.settings.tree import load
from strikewatch.sinks.settings import decode_secret
from strikewatch.storage.commit.store import Store
from tests.broker import Broker
from tests.receiver import Receiver
from tests.service.processor import SECRET, SITE, Gateway, Processor, until

EARLY = Path(__file__).parent / "early_release"
OLD_URL = "http://127.0.0.1:9/alerts"
END = instant.parse("2026-11-29T01:36:12Z")
"""Its last row of HB-01, whose oil is still hot."""
HOT = ("HB-01", "HB-03", "HB-05")
KEPT = {
    "same_spot",
    "hot_oil",
    "oil_heating",
    "cold_oil",
    "grease",
    "signal_lost",
    "sensor_fault",
    "crew",
    "tool",
}
"""Parts of its saved state that are read; `blank_firing` begins anew, as the behaviour log says."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Yield a copy of the folder that the early release left."""
    there = tmp_path / "early"
    shutil.copytree(EARLY, there)
    (there / "strikewatch.db").write_bytes(gzip.decompress((there / "strikewatch.db.gz").read_bytes()))
    (there / "secret").write_text(SECRET)
    return there


def test_settings_with_their_early_names_are_read() -> None:
    settings = load(EARLY / "settings.toml")
    assert settings.faults.firing.on_bar == 85.0
    assert settings.faults.model_dump()["grease"]["due_s"] == 6000.0
    assert settings.alarms.flood_above == 3
    assert [one.retry_s for one in settings.webhooks] == [(5.0, 5.0, 5.0, 300.0, 300.0)]


def test_the_early_database_is_migrated_with_open_alerts_and_deliveries(folder: Path) -> None:
    store = Store(folder / "strikewatch.db", {"office": OLD_URL})
    with store.read() as connection:
        rows = connection.exec_driver_sql(
            "select state, attempts, count(*) from outbox group by 1, 2"
        ).fetchall()
        flood = connection.exec_driver_sql("select kind, due_ns is not null from storms").fetchall()
    standing = [one.record for one in store.load().alerts if one.record["cleared"] is None]
    assert [tuple(one) for one in rows] == [("waiting", 0, 7), ("waiting", 2, 9)]
    assert [tuple(one) for one in flood] == [("flood", 1)]
    assert sorted((one["hammer"], one["fault"]) for one in standing) == [(name, "hot_oil") for name in HOT]
    store.close()


def test_alerts_that_an_early_flood_held_are_in_one_digest(folder: Path) -> None:
    """Held as that release held them: not sent, and waiting for the digest of the episode."""
    held = "told = '', told_priority = '', held = 1"
    with closing(sqlite3.connect(folder / "strikewatch.db")) as early:
        early.execute(f"UPDATE handling SET {held} WHERE storm = 1 AND fault = 'same_spot'")
        early.execute("DELETE FROM outbox WHERE alert_id IN (SELECT id FROM handling WHERE held)")
        ids = {row[0] for row in early.execute("SELECT id FROM handling WHERE held")}
        early.commit()
    alarms = load(EARLY / "settings.toml").alarms
    store = Store(folder / "strikewatch.db", {"office": OLD_URL}, alarms=alarms)
    for hours in (1, 2, 3):
        store.process_due(END + hours * 3600 * SECOND)
    with store.read() as connection:
        query = "select body from outbox where step = 'digest'"
        bodies = [json.loads(row[0]) for row in connection.exec_driver_sql(query)]
    assert len(ids) == 5
    assert [{one["id"] for one in body["alerts"]} for body in bodies] == [ids]
    store.close()


def test_the_early_recording_replays_to_the_alerts_it_raised(folder: Path) -> None:
    (shift,) = (folder / "recordings" / SITE).iterdir()
    store = Store(folder / "strikewatch.db", {"office": OLD_URL})
    with store.read() as connection:
        records = [json.loads(row[0]) for row in connection.exec_driver_sql("select record from alerts")]
    store.close()
    found = strikewatch.replay(shift, settings=folder / "settings.toml")
    assert set(found["id"]) == {one["id"] for one in records}


def test_a_processor_continues_from_the_early_database(folder: Path) -> None:
    """Waiting deliveries are sent once; active alerts clear at the first cool rows."""
    with Broker(folder / "b") as broker, Receiver(decode_secret(SECRET)) as receiver:
        processor = Processor(folder, broker)
        text = (EARLY / "settings.toml").read_text()
        for old, new in (
            (OLD_URL, receiver.url),
            ("port = 1883", f'port = {broker.port}\nversion = "{broker.version}"'),
            *(
                (f'"{name}"\n', f'"{folder / name}"\n')
                for name in ("strikewatch.db", "recordings", "log", "secret")
            ),
        ):
            assert old in text, old
            text = text.replace(old, new)
        (folder / "settings.toml").write_text(text + "\n[http]\nenabled = false\n")
        with processor:
            processor.start()
            gateway = Gateway(broker)
            for hammer in HOT:
                for second in range(20):
                    gateway.block(hammer, END + second * SECOND, 0.1, active=[False] * 10, oil_c=60.0)
            gateway.settle()
            gateway.close()

            def steps(fault: str) -> set[tuple[str, str]]:
                events = [one.event for one in receiver.received if one.event and "id" in one.event["data"]]
                return {
                    (one["data"]["hammer"], one["type"].rpartition(".")[2])
                    for one in events
                    if one["data"]["fault"] == fault
                }

            wanted = {(hammer, step) for hammer in HOT for step in ("raised", "cleared")}
            until(lambda: steps("hot_oil") >= wanted)
            assert {("HB-01", "cleared"), ("HB-02", "cleared")} <= steps("same_spot")
            lost = {part for line in processor.lines("state_lost") for part in line["reset_parts"]}
            assert not lost & KEPT
            until(lambda: processor.query("select count(*) from outbox where state = 'waiting'") == [(0,)])
            assert processor.stop() == 0
            names = [one.name for one in receiver.received]
            assert len(names) == len(set(names))
