"""(d) From publish to webhook received at 500 messages/s, every tenth raising an alert at once.

Against publish to a bare callback that posts over one kept connection to the same receiver.
"""

import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import paho.mqtt.client as mqtt
import urllib3
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.deliver.webhook import key_of
from strikewatch.model import instant
from strikewatch.model.instant import SECOND
from tests.benchmarks.table import Line
from tests.broker import Broker
from tests.live.processor import SECRET, SITE, Gateway, Processor, until
from tests.receiver import Receiver

MESSAGES = 5_000
A_SECOND = 500
EVERY = 10
ALERTS = MESSAGES // EVERY


def publish(gateway: Gateway) -> dict[str, float]:
    """When each alert's message was handed over: a hammer that starts on oil long hot, among others at rest."""
    sent = {}
    start = time.monotonic()
    for k in range(MESSAGES):
        time.sleep(max(0.0, start + k / A_SECOND - time.monotonic()))
        sample = {"time": instant.text(time.time_ns()), "active": k % EVERY == 0, "pressure_bar": 140.0}
        hammer = f"HB-{k // EVERY:04d}" if k % EVERY == 0 else f"AT-REST-{k % EVERY}"
        if k % EVERY == 0:
            sample["oil_c"] = 84.0
            sent[hammer] = time.monotonic()
        gateway.send(hammer, "samples", sample)
    return sent


def heat(gateway: Gateway) -> None:
    """Hot oil in each hammer, at rest, in a usual step so long that the row to come does not wait behind a hole."""
    now = time.time_ns()
    for k in range(ALERTS):
        for before_s in (75, 45, 15):
            at = instant.text(now - before_s * SECOND)
            gateway.send(f"HB-{k:04d}", "samples", {"time": at, "active": False, "oil_c": 84.0})
    gateway.settle()


def latencies_ms(sent: dict[str, float], receiver: Receiver, name_of: Callable[[Any], str]) -> list[float]:
    came: dict[str, float] = {}

    def there() -> bool:
        for one in list(receiver.received):
            came.setdefault(name_of(json.loads(one.body)), one.at)
        return len(came.keys() & sent.keys()) == len(sent)

    until(there)
    return [(came[name] - at) * 1e3 for name, at in sent.items()]


def ours(to: Broker, folder: Path) -> list[float]:
    with Receiver(key_of(SECRET)) as receiver:
        one = Processor(folder, to, receiver.url).start()
        gateway = Gateway(to)
        try:
            heat(gateway)
            time.sleep(4)
            return latencies_ms(publish(gateway), receiver, _hot)
        finally:
            gateway.close()
            one.end()


def bare(to: Broker) -> list[float]:
    with Receiver(key_of(SECRET)) as receiver:
        url = urlsplit(receiver.url)
        pool = urllib3.HTTPConnectionPool(url.hostname or "", url.port)

        def came(_client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
            if b'"active": true' in message.payload:
                hammer = message.topic.split("/")[2]
                pool.request("POST", url.path, body=json.dumps({"hammer": hammer}), headers=HEADERS)

        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.on_message = came
        client.connect(to.host, to.port)
        client.subscribe(f"strikewatch/{SITE}/#", qos=1)
        client.loop_start()
        gateway = Gateway(to)
        try:
            time.sleep(0.5)
            return latencies_ms(publish(gateway), receiver, lambda event: event["hammer"])
        finally:
            gateway.close()
            client.disconnect()
            client.loop_stop()
            pool.close()


def _hot(event: Any) -> str:
    alert = event["data"]
    return str(alert["hammer"]) if alert["fault"] == "hot_oil" else ""


HEADERS = {"webhook-id": "1", "webhook-timestamp": "1", "webhook-signature": "v1,none"}


def lines() -> list[Line]:
    with tempfile.TemporaryDirectory() as name, Broker(Path(name), max_inflight=1000) as to:
        mine, floor = ours(to, Path(name) / "processor"), bare(to)
    return [
        Line(
            f"publish to webhook, p{p}: {np.percentile(mine, p):.1f} ms (bare {np.percentile(floor, p):.1f})",
            "live / bare",
            float(np.percentile(mine, p) / np.percentile(floor, p)),
            goal,
        )
        for p, goal in ((50, ""), (99, "<= 5"))
    ]
