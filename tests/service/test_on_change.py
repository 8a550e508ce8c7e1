"""Feeds that send `active` on change only: the live way with a real broker, and the replay of what it recorded."""

import json
import random
import socket
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, seconds
from strikewatch.sources.recordings import open_shifts
from tests.broker import Broker
from tests.mqtt_client import listening
from tests.programs import need_program
from tests.service.processor import SITE, Gateway, Processor, now_ns, until
from tests.service.test_equality import replayed, told


def spots(processor: Processor, hammer: str) -> list[dict[str, Any]]:
    return [one for one in processor.alerts() if (one["hammer"], one["fault"]) == (hammer, "same_spot")]


def sample(gateway: Gateway, hammer: str, at: int, **channels: Any) -> None:
    gateway.send(hammer, "samples", {"time": instant.text(at), **channels})


def test_firing_sent_on_change_survives_a_restart_and_replays_identically(
    tmp_path: Path, broker: Broker
) -> None:
    """HB-03 holds by the settings, HB-04 by its gateway's messages; each ends with null, HB-05 by its hold time.

    A feed counts as lost only 30 s after its bound has ended.
    """
    start = now_ns() - 200 * SECOND
    tables: dict[str, Any] = {"hammers.HB-03.on_change.hold_s": {"active": 600.0}}
    with Processor(tmp_path / "processor", broker, **tables).start() as processor, Gateway(broker) as gateway:
        sample(gateway, "HB-03", start, active=True, pressure_bar=150.0)
        sample(gateway, "HB-04", start, active=True, hold_s={"active": 600})
        sample(gateway, "HB-05", start, active=True, hold_s={"active": 20.5})
        gateway.settle()
        processor.wait_until_committed()
        assert processor.stop() == 0
        processor.start()
        for hammer in ("HB-03", "HB-04"):
            sample(gateway, hammer, start + 40_250_000_000, active=None)
        for hammer in ("HB-03", "HB-04", "HB-05"):
            sample(gateway, hammer, start + 60 * SECOND, pressure_bar=20.0)
        until(lambda: len(processor.alerts()) == 4 and all(one["cleared"] for one in processor.alerts()))
        processor.wait_until_committed()
        assert processor.stop() == 0
    live = processor.alerts()
    expected = [
        ("HB-03", "same_spot", 15.0, 40.25),
        ("HB-04", "same_spot", 15.0, 40.25),
        ("HB-05", "same_spot", 15.0, 20.5),
        ("HB-05", "signal_lost", 50.5, 60.0),
    ]
    assert [(one["hammer"], one["fault"], one["onset"], one["cleared"]) for one in live] == [
        (hammer, fault, instant.text(start + seconds(onset)), instant.text(start + seconds(cleared)))
        for hammer, fault, onset, cleared in expected
    ]
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]


def cab_of(broker: Broker, hammer: str) -> mqtt.Client:
    """Return a gateway with a last will that reports a lost connection."""
    cab = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="cab")
    will = json.dumps({"event": "connection", "state": "lost"})
    cab.will_set(f"strikewatch/{SITE}/{hammer}/events", will, qos=1)
    cab.connect(broker.host, broker.port)
    cab.loop_start()
    return cab


def start_firing(cab: mqtt.Client, hammer: str, at: int) -> None:
    """Send `active` with a hold of 10 min and wait for the broker's acknowledgement."""
    payload = json.dumps({"time": instant.text(at), "active": True, "hold_s": {"active": 600}})
    cab.publish(f"strikewatch/{SITE}/{hammer}/samples", payload, qos=1).wait_for_publish(10)


def cut_off(cab: mqtt.Client) -> None:
    line = cab.socket()
    assert isinstance(line, socket.socket)
    cab.loop_stop()
    line.close()


def test_a_last_will_ends_held_values_when_the_connection_breaks(tmp_path: Path, broker: Broker) -> None:
    processor = Processor(tmp_path / "processor", broker, intake={"grace_s": 0.5}).start()
    cab = cab_of(broker, "HB-03")
    with processor, Gateway(broker) as gateway:
        start = now_ns() - 30 * SECOND
        start_firing(cab, "HB-03", start)
        sample(gateway, "HB-03", now_ns(), pressure_bar=150.0)
        [standing] = until(lambda: spots(processor, "HB-03"))
        assert standing["onset"] == instant.text(start + 15 * SECOND)
        assert standing["cleared"] is None
        before = time.time_ns()
        cut_off(cab)
        [over] = until(lambda: [one for one in spots(processor, "HB-03") if one["cleared"]])
        assert before <= instant.parse(over["cleared"]) <= time.time_ns()
        sample(gateway, "HB-03", time.time_ns() + 2 * SECOND, pressure_bar=20.0)
        gateway.settle()
        processor.wait_until_committed()
        assert processor.stop() == 0
    live = processor.alerts()
    assert [one["cleared"] for one in live if one["fault"] == "same_spot"] == [over["cleared"]]
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]


def test_a_delayed_last_will_does_not_end_newer_held_values(tmp_path: Path, broker: Broker) -> None:
    """Its time is unknown: earlier held values do not count, and what the gateway sent since then does."""
    need_program("mosquitto")  # the broker that pip installs keeps no last will for a session that is away
    processor = Processor(tmp_path / "processor", broker).start()
    gateway = Gateway(broker)
    start = now_ns() - 300 * SECOND
    with gateway, processor:
        assert processor.stop() == 0
        cab = cab_of(broker, "HB-03")
        start_firing(cab, "HB-03", start)
        with listening(broker, f"strikewatch/{SITE}/HB-03/events", client_id="watcher") as came:
            cut_off(cab)
            until(lambda: came)
        cab = cab_of(broker, "HB-03")
        start_firing(cab, "HB-03", start + 100 * SECOND)
        cab.disconnect()
        cab.loop_stop()
        sample(gateway, "HB-03", start + 140 * SECOND, active=None)
        sample(gateway, "HB-03", start + 150 * SECOND, pressure_bar=20.0)
        gateway.settle()
        processor.start()
        until(lambda: [one for one in spots(processor, "HB-03") if one["cleared"]])
        processor.wait_until_committed()
        assert processor.stop() == 0
    [alert] = spots(processor, "HB-03")
    assert alert["onset"] == instant.text(start + 115 * SECOND)
    assert alert["cleared"] == instant.text(start + 140 * SECOND)


def test_three_messages_of_one_instant_form_one_row(tmp_path: Path) -> None:
    """Firing and oil come in separate messages, out of order by up to a second, and a tenth of them twice."""
    dice = random.Random(5)
    start = now_ns() - 120 * SECOND
    scans = [(start + k * SECOND // 2, k >= 8 and k < 60) for k in range(80)]
    queue = []
    for at, firing in scans:
        for tag in ({"active": firing}, {"pressure_bar": 150.0 if firing else 20.0}, {"oil_c": 84.0}):
            arrival = at + dice.randrange(SECOND)
            queue.append((arrival, {"time": instant.text(at), **tag}))
            if dice.random() < 0.1:
                queue.append((arrival + SECOND // 2, queue[-1][1]))
    queue.sort(key=lambda one: one[0])
    with (
        Broker(tmp_path / "broker") as broker,
        Processor(tmp_path / "processor", broker).start() as processor,
        Gateway(broker) as gateway,
    ):
        for _, payload in queue:
            gateway.send("HB-03", "samples", payload)
        gateway.settle()
        processor.wait_until_committed()
        assert processor.stop() == 0
    live = processor.alerts()
    found = {one["fault"]: one for one in live}
    assert found["same_spot"]["onset"] == instant.text(scans[8][0] + 15 * SECOND)
    assert found["hot_oil"]["onset"] == instant.text(start + 5 * SECOND)
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]
    [shift] = open_shifts(processor.recordings)
    rows = [rows for _, rows in shift.pieces()]
    assert [at for part in rows for at in part.time_ns.tolist()] == [at for at, _ in scans]
    for name in ("active", "pressure_bar", "oil_c"):
        assert sum(int((part.columns[name] == part.columns[name]).sum()) for part in rows) == len(scans)
