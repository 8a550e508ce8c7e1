"""(d) From publish to webhook received at 500 messages a second, every tenth raising an alert at once (a pressure that
cannot be), against publish to a bare callback plus one keep-alive POST, and to one that inserts each alert into a
SQLite database before, synced like the processor's commits. (d') The same in the first seconds of new hammers.
"""

import json
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Literal

import numpy as np
import paho.mqtt.client as mqtt
import urllib3
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.broker import Broker
from tests.long.benchmarks.subscribers import FILTERS, client
from tests.long.benchmarks.table import Line
from tests.service.processor import EVERY_FLIP, NO_STORMS, FreshProcessor, now_ns, until

PER_SECOND = 500
HAMMERS = 50
SECONDS = 15.0
WARM_S = 3.0

Subscriber = Literal["bare", "inserting", "whole"]
SIMPLE: tuple[Subscriber, Subscriber] = ("bare", "inserting")


class AlertReceiver:
    """Receives POSTs and notes when an onset came first."""

    def __init__(self) -> None:
        self.came: dict[str, float] = {}
        desk = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True

            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["content-length"])))
                desk.came.setdefault(body["data"]["hammer"] + body["data"]["onset"], time.perf_counter())
                self.send_response(204)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}/"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


def publish(broker: Broker, sent: dict[str, float]) -> None:
    """Publish at a fixed rate, the same for both subscribers."""
    one = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gateway")
    one.max_inflight_messages_set(500)
    one.connect(broker.host, broker.port)
    one.loop_start()
    until(one.is_connected)
    start, begin = now_ns() - 3600 * SECOND, time.perf_counter()
    for k in range(round(PER_SECOND * SECONDS)):
        time.sleep(max(0.0, begin + k / PER_SECOND - time.perf_counter()))
        hammer, turn = f"HB-{k % HAMMERS:02d}", k // HAMMERS
        at = instant.text(start + turn * (SECOND * HAMMERS // PER_SECOND))
        bad = (turn + k) % 10 == 0
        sample = {"time": at, "active": False, "pressure_bar": 5000.0 if bad else 20.0, "oil_c": 50.0}
        if bad:
            sent[hammer + at] = time.perf_counter()
        one.publish(f"strikewatch/fennick-hollow/{hammer}/samples", json.dumps(sample), qos=1)
    time.sleep(1.0)
    one.disconnect()
    one.loop_stop()


def measure_delays_ms(subscriber: Subscriber) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Return delays in ms: in the first WARM_S, when all hammers are new, and after that."""
    desk, sent = AlertReceiver(), dict[str, float]()
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder) / "broker", max_inflight=1000) as broker,
    ):
        if subscriber == "whole":
            processor = FreshProcessor(
                Path(folder) / "processor",
                broker,
                desk.url,
                log={"level": "info"},
                alarms=NO_STORMS,
                **EVERY_FLIP,
            ).start()
            publish(broker, sent)
            processor.stop()
        else:
            command = [
                sys.executable,
                "-m",
                "tests.long.benchmarks.latency",
                broker.host,
                str(broker.port),
                desk.url,
                *([str(Path(folder) / "alerts.db")] if subscriber == "inserting" else []),
            ]
            with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
                assert process.stdout is not None
                process.stdout.readline()
                publish(broker, sent)
                process.send_signal(signal.SIGTERM)
    desk.close()
    first = min(sent.values()) + WARM_S
    delays = [(at, 1e3 * (desk.came[key] - at)) for key, at in sent.items() if key in desk.came]
    return np.array([ms for at, ms in delays if at <= first]), np.array(
        [ms for at, ms in delays if at > first]
    )


def post_directly(host: str, port: int, url: str, path: str = "") -> None:
    """Post the alert directly from the callback, over one connection; insert it before into a database, if given."""
    pool = urllib3.PoolManager()
    database = sqlite3.connect(path or ":memory:", isolation_level=None)
    database.execute("PRAGMA journal_mode=WAL")
    database.execute("PRAGMA synchronous=FULL")
    database.execute("CREATE TABLE alerts (body TEXT)")

    def on_message(_client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        sample = json.loads(message.payload)
        if sample["pressure_bar"] > 600.0:
            body = json.dumps({"data": {"hammer": message.topic.split("/")[2], "onset": sample["time"]}})
            if path:
                database.execute("INSERT INTO alerts VALUES (?)", (body,))
            pool.request("POST", url, body=body)

    one = client()
    one.on_message = on_message
    one.on_subscribe = lambda *_: print("ready", flush=True)
    one.connect(host, port)
    one.subscribe(FILTERS)
    one.loop_forever()


def lines() -> list[Line]:
    bare, inserting = (measure_delays_ms(one)[1] for one in SIMPLE)
    early, whole = measure_delays_ms("whole")
    median = float(np.median(early))
    what = f"(d') first {WARM_S:g} s of {HAMMERS} new hammers: {len(early)} alerts"
    found = [Line(what, "p50, ms", median, "<= 100")]
    for share in (50, 99):
        a, b, c = (float(np.percentile(delays, share)) for delays in (whole, bare, inserting))
        what = f"p{share}: {a:.2f} ms (bare callback and POST {b:.2f} ms), {len(whole)} alerts"
        found.append(Line(what, "whole / bare", a / b, "<= 5" if share == 99 else ""))
        what = f"p{share} beside a synced insert: {a:.2f} ms (bare with the insert {c:.2f} ms)"
        found.append(Line(what, "whole / bare and insert", a / c, "<= 2" if share == 99 else ""))
    return found


if __name__ == "__main__":
    post_directly(sys.argv[1], int(sys.argv[2]), *sys.argv[3:])
