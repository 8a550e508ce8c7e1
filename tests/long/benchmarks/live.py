"""(c) Live messages a second at QoS 1, everything on, against a bare paho subscriber on the same broker.

All is published beforehand into the broker's queue for the session, so that no publisher is the bottleneck.
"""

import json
import statistics
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.broker import Broker
from tests.long.benchmarks.latency import AlertReceiver
from tests.long.benchmarks.subscribers import FILTERS, client
from tests.long.benchmarks.table import Line
from tests.service.processor import now_ns, until

HAMMERS = 6
TRIALS = 3
"""Fewer than elsewhere: each takes some seconds."""
SIZES = {1: 20_000, 10: 10_000, 100: 5_000}
GOALS = {1: 1.0, 10: 0.9, 100: 0.7}


def preload(broker: Broker, size: int, count: int) -> None:
    """Queue `count` messages of `size` rows for the session."""
    one = client()
    one.connect(broker.host, broker.port)
    one.loop_start()
    until(one.is_connected)
    granted: list[object] = []
    one.on_subscribe = lambda *_: granted.append(_)
    one.subscribe(FILTERS)
    until(lambda: granted)
    one.disconnect()
    one.loop_stop()
    gateway = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gateway")
    gateway.max_inflight_messages_set(500)
    taken = [0]

    def on_publish(*_: object) -> None:
        taken[0] += 1

    gateway.on_publish = on_publish
    gateway.connect(broker.host, broker.port)
    gateway.loop_start()
    start = now_ns() - 20 * 3600 * SECOND
    step = SECOND // 10
    for k in range(count):
        at = start + (k // HAMMERS) * size * step
        # Bouts of 8 s, and in every 13 minutes one of 24 s: an alert, as often as a real hammer gives cause for one.
        bouts = [((k // HAMMERS) * size + i) // 80 for i in range(size)]
        firing = [bout % 2 == 0 or bout % 100 == 1 for bout in bouts]
        pressure = [140.0 + (k + i) % 7 for i in range(size)]
        sample: dict[str, object] = {"time": instant.text(at), "oil_c": 60.0 + k // HAMMERS % 5}
        if size == 1:
            sample |= {"active": firing[0], "pressure_bar": pressure[0]}
        else:
            sample |= {"step_s": 0.1, "active": firing, "pressure_bar": pressure}
        gateway.publish(f"strikewatch/fennick-hollow/HB-{k % HAMMERS:02d}/samples", json.dumps(sample), qos=1)
    until(lambda: taken[0] == count, 120.0)
    gateway.disconnect()
    gateway.loop_stop()


def seconds(kind: str, size: int, count: int) -> float:
    """Return the time that one kind of subscriber takes for all messages, s, on its own broker."""
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder), max_inflight=1000) as broker,
        closing(AlertReceiver()) as desk,
    ):
        preload(broker, size, count)
        command = [
            sys.executable,
            "-m",
            "tests.long.benchmarks.subscribers",
            kind,
            broker.host,
            str(broker.port),
            str(count),
            desk.url,
        ]
        return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()[-1])


def lines() -> list[Line]:
    found = []
    rows_s = {}
    for size, count in SIZES.items():
        trials = [(seconds("bare", size, count), seconds("whole", size, count)) for _ in range(TRIALS)]
        bare, whole = (statistics.median(one) for one in zip(*trials, strict=True))
        rows_s[size] = size * count / whole
        what = f"{size} rows a message: {count / whole:,.0f} messages/s (bare {count / bare:,.0f})"
        found.append(Line(what, "whole / bare", bare / whole, f">= {GOALS[size]}"))
    naive = SIZES[1] / statistics.median(seconds("naive", 1, SIZES[1]) for _ in range(TRIALS))
    found.append(
        Line(
            f"blocks of 100: {rows_s[100]:,.0f} rows/s (naive, a sample a message {naive:,.0f})",
            "rows/s: blocks / naive",
            rows_s[100] / naive,
            ">= 80",
        )
    )
    return found
