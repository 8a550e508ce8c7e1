"""Mapped sources on the live way with a real broker, and the replay of what was recorded, without the table."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, seconds
from strikewatch.sources.recordings import open_shifts
from tests.broker import Broker
from tests.mqtt_client import connected, listening
from tests.service.processor import Processor, now_ns, until
from tests.service.test_equality import replayed, told
from tests.sources.mapping.examples import MESSAGES, example_text
from tests.sources.mapping.test_examples import SITE
from tests.sources.sparkplug import BOOLEAN, UINT64, metric, payload

SCANS = """
[scan]
topic = "plc/{hammer}/{tag}"
time = { at = "@.t", as = "ms" }
site = "fennick-hollow"
name = "{tag}"
value = "@.v"
[scan.channels]
active = { named = "run", on = [1], off = [0] }
pressure_bar = { named = "press", unit = "kPa" }
oil_c = { named = "oil" }
"""
CHANGES = """
[changes]
topic = "change/{hammer}"
time = { at = "@.t", as = "iso", zone = "Europe/Vienna" }
site = "fennick-hollow"
[changes.channels]
active = { at = "@.on", hold_s = 600.0 }
pressure_bar = "@.bar"
"""


@pytest.fixture
def publisher(broker: Broker) -> Iterator[mqtt.Client]:
    with connected(broker, client_id="gateway") as client:
        yield client


def processor_of(folder: Path, broker: Broker, sources: str, monkeypatch: pytest.MonkeyPatch) -> Processor:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "sources.toml").write_text(sources)
    monkeypatch.setenv("STRIKEWATCH_SOURCES_FILE", str(folder / "sources.toml"))
    return Processor(folder, broker)


def send(client: mqtt.Client, topic: str, payload: Any, qos: int = 1, *, retain: bool = False) -> None:
    body = payload if isinstance(payload, bytes) else json.dumps(payload)
    client.publish(topic, body, qos=qos, retain=retain).wait_for_publish(10)


def recorded(processor: Processor) -> dict[str, dict[str, list[float]]]:
    """By hammer, the values of each channel in the recordings, without gaps; and `time` in ns."""
    found: dict[str, dict[str, list[float]]] = {}
    [shift, *more] = open_shifts(processor.recordings)
    assert not more
    for key, rows in shift.pieces():
        channels = found.setdefault(key[1], {})
        channels.setdefault("time", []).extend(rows.time_ns.tolist())
        for name, column in rows.columns.items():
            channels.setdefault(name, []).extend(column[~np.isnan(column)].tolist())
    return found


def test_a_tag_a_message_in_any_order_and_twice_gives_each_value_once(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tags of an instant come in three messages, disturbed within the allowed lateness; then all comes again.

    The alerts are those of the onsets, and a replay of the recording finds the same without the table.
    """
    start = (now_ns() - 120 * SECOND) // SECOND * SECOND
    processor = processor_of(tmp_path / "p", broker, SCANS, monkeypatch).start()
    scans = [(start + k * SECOND // 2, 8 <= k < 60) for k in range(80)]
    queue = [
        (k + (j * 7 + k * 3) % 3, f"plc/HB-03/{tag}", {"t": at // 1_000_000, "v": value})
        for k, (at, firing) in enumerate(scans)
        for j, (tag, value) in enumerate((("run", int(firing)), ("press", 15000.0), ("oil", 84.0)))
    ]
    queue.sort(key=lambda one: one[0])
    with processor:
        for _ in range(2):
            for _, topic, payload in queue:
                send(publisher, topic, payload)
            processor.wait_until_committed()
        assert processor.stop() == 0
    live = processor.alerts()
    onsets = {one["fault"]: one["onset"] for one in live}
    assert onsets["same_spot"] == instant.text(scans[8][0] + 15 * SECOND)
    assert onsets["hot_oil"] == instant.text(start + 5 * SECOND)
    assert recorded(processor)["HB-03"] == {
        "time": [at for at, _ in scans],
        "active": [float(firing) for _, firing in scans],
        "pressure_bar": [150.0] * 80,
        "oil_c": [84.0] * 80,
    }
    assert not processor.query("select reason from rejects")
    monkeypatch.delenv("STRIKEWATCH_SOURCES_FILE")
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]


def test_values_sent_on_change_are_held_and_replay_without_the_table(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Local times of Vienna in winter, one hour ahead of UTC; a null ends the hold."""
    start = (now_ns() - 200 * SECOND) // SECOND * SECOND
    processor = processor_of(tmp_path / "p", broker, CHANGES, monkeypatch).start()

    def local(after_s: float) -> str:
        from datetime import UTC, datetime
        from zoneinfo import ZoneInfo

        at = datetime.fromtimestamp(start // SECOND, UTC).astimezone(ZoneInfo("Europe/Vienna"))
        return f"{at:%Y-%m-%dT%H:}" + instant.text(start + seconds(after_s))[14:26]

    with processor:
        send(publisher, "change/HB-03", {"t": local(0), "on": True, "bar": 150})
        processor.wait_until_committed()
        assert processor.stop() == 0
        processor.start()
        send(publisher, "change/HB-03", {"t": local(40.25), "on": None})
        send(publisher, "change/HB-03", {"t": local(60), "bar": 20})
        until(lambda: [one for one in processor.alerts() if one["cleared"]])
        processor.wait_until_committed()
        assert processor.stop() == 0
    live = processor.alerts()
    assert [(one["fault"], one["onset"], one["cleared"]) for one in live if one["fault"] == "same_spot"] == [
        ("same_spot", instant.text(start + 15 * SECOND), instant.text(start + seconds(40.25)))
    ]
    monkeypatch.delenv("STRIKEWATCH_SOURCES_FILE")
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]


def test_the_shipped_examples_through_a_broker(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every message is stored, passed over or rejected with its reason; contract topics work beside them."""
    with processor_of(tmp_path / "p", broker, example_text(), monkeypatch).start() as processor:
        for topic, payload in MESSAGES:
            send(publisher, topic, payload)
        send(publisher, f"strikewatch/{SITE}/HB-09/samples", {"time": "2026-03-04T07:15:00Z", "oil_c": 61})
        until(lambda: processor.query("select 1 from hammer_state where hammer = 'HB-09'"))
        processor.wait_until_committed()
        assert processor.stop() == 0
    hammers = {tuple(row) for row in processor.query("select site, hammer from hammer_state")}
    assert hammers == {(SITE, f"HB-0{n}") for n in (1, 2, 3, 4, 5, 6, 9)} | {("east-yard", "HB-01")}
    reasons = sorted(reason for (reason,) in processor.query("select reason from rejects"))
    assert reasons == [
        "bad_time",
        "bad_value",
        "nothing",
        "time_out_of_range",
        "unknown_word",
        "unknown_word",
    ]
    kept = b"".join(payload for (payload,) in processor.query("select payload from rejects"))
    assert b"99C0FFEE" not in kept
    [(fields,)] = processor.query("select fields from events where kind = 'sign_on'")
    assert "op-14" in str(fields)


def test_retained_values_are_used_only_if_the_table_says_so(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = now_ns() // 1_000_000 - 100_000
    one = SCANS.replace('"plc/{hammer}/{tag}"', '"plc/HB-03/{tag}"\nhammer = "HB-03"\nretained = "take"')
    other = SCANS.replace('"plc/{hammer}/{tag}"', '"plc/HB-04/{tag}"\nhammer = "HB-04"').replace(
        "scan", "other"
    )
    for hammer in ("HB-03", "HB-04"):
        send(publisher, f"plc/{hammer}/oil", {"t": at, "v": 61.0}, retain=True)
    with processor_of(tmp_path / "p", broker, one + other, monkeypatch).start() as processor:
        for k in range(1, 5):
            for hammer in ("HB-03", "HB-04"):
                send(publisher, f"plc/{hammer}/press", {"t": at + 1000 * k, "v": 15000})
        processor.wait_until_committed()
        assert processor.stop() == 0
    found = recorded(processor)
    assert found["HB-03"]["oil_c"] == [61.0]
    assert len(found["HB-03"]["time"]) == 5
    assert not found["HB-04"].get("oil_c")
    assert len(found["HB-04"]["time"]) == 4


def test_a_source_that_is_taken_out_is_unsubscribed(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker keeps the session, and with it every subscription of earlier runs."""
    broker.need_mosquitto("keeps subscriptions that an earlier connection made")
    processor = processor_of(tmp_path / "p", broker, SCANS, monkeypatch).start()
    at = now_ns() // 1_000_000
    with processor:
        until(lambda: processor.query("select filters from broker_session where filters like '%plc/+/+%'"))
        assert processor.stop() == 0
        monkeypatch.delenv("STRIKEWATCH_SOURCES_FILE")
        processor.start()
        until(
            lambda: processor.query("select filters from broker_session where filters not like '%plc/+/+%'")
        )
        send(publisher, "plc/HB-03/oil", {"t": at, "v": 61.0})
        send(publisher, f"strikewatch/{SITE}/HB-09/samples", {"time_ms": at, "oil_c": 61})
        until(lambda: processor.query("select 1 from hammer_state where hammer = 'HB-09'"))
        assert processor.stop() == 0
    assert not processor.query("select reason from rejects")


def test_sparkplug_aliases_survive_a_restart(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a restart the node sends data by the aliases of births that it sent before."""
    topic = "spBv1.0/Fennick Hollow/{}/cab-2"
    tables = example_text().partition("[edge]")
    processor = processor_of(tmp_path / "p", broker, "[edge]" + tables[2], monkeypatch).start()
    start_ms = now_ns() // 1_000_000 - 120_000

    def data(seq: int, after_s: int, on: bool) -> bytes:
        return payload([metric(on, BOOLEAN, alias=1, time_ms=start_ms + after_s * 1000)], seq)

    with processor:
        born = payload([metric(0, UINT64, name="bdSeq")], 0, start_ms)
        send(publisher, topic.format("NBIRTH"), born, 0)
        born = payload([metric(False, BOOLEAN, name="Hammer/On", alias=1, time_ms=start_ms)], 1, start_ms)
        send(publisher, topic.format("DBIRTH") + "/Breaker 2", born, 0)
        until(lambda: processor.query("select 1 from sparkplug_nodes where births like '%Hammer/On%'"))
        assert processor.stop() == 0
        processor.start()
        for seq, after_s, on in ((2, 10, True), (3, 40, False), (4, 41, False)):
            send(publisher, topic.format("DDATA") + "/Breaker 2", data(seq, after_s, on), 0)
        until(lambda: [one for one in processor.alerts() if one["cleared"]])
        assert processor.stop() == 0
    [alert] = processor.alerts()
    assert (alert["fault"], alert["hammer"]) == ("same_spot", "HB-02")
    assert alert["onset"] == instant.text((start_ms + 25_000) * 1_000_000)
    assert not processor.query("select reason from rejects")


def test_a_node_whose_births_are_not_known_is_asked_for_them(
    tmp_path: Path, broker: Broker, publisher: mqtt.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    edge = "[edge]" + example_text().partition("[edge]")[2]
    with (
        listening(broker, "spBv1.0/Fennick Hollow/NCMD/cab-2") as asked,
        processor_of(tmp_path / "p", broker, edge, monkeypatch).start() as processor,
    ):
        data = payload([metric(True, BOOLEAN, alias=1)], 7)
        send(publisher, "spBv1.0/Fennick Hollow/DDATA/cab-2/Breaker 2", data, 0)
        until(lambda: asked)
        assert processor.stop() == 0
    assert b"Node Control/Rebirth" in asked[0].payload
    assert processor.query("select reason from rejects") == [("no_birth",)]
