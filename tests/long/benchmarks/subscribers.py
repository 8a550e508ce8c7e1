"""The subscribers compared, each its own process: `python -m tests.long.benchmarks.subscribers KIND HOST PORT N URL`.

Prints the seconds from the first message to the last one's end: acknowledged (bare), judged (naive), committed (whole).
"""

import sys
import tempfile
import time
from pathlib import Path
from threading import Event
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import AwareDatetime, BaseModel

CLIENT_ID = "strikewatch"
FILTERS = [("strikewatch/+/+/samples", 1), ("strikewatch/+/+/events", 1)]


class Sample(BaseModel):
    """A sample as a pydantic model."""

    time: AwareDatetime
    active: bool
    pressure_bar: float
    oil_c: float


def client(manual_ack: bool = False) -> mqtt.Client:
    return mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, clean_session=False, manual_ack=manual_ack
    )


def count_with(one: mqtt.Client, host: str, port: int, n: int, work: Any) -> float:
    """Run a paho client until n messages have been through `work`."""
    done = Event()
    first = 0.0
    seen = 0

    def on_message(_client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal first, seen
        if not seen:
            first = time.perf_counter()
        work(message)
        seen += 1
        if seen == n:
            done.set()

    one.on_message = on_message
    one.connect(host, port)
    one.loop_start()
    assert done.wait(300)
    elapsed = time.perf_counter() - first
    one.disconnect()
    one.loop_stop()
    return elapsed


def bare(host: str, port: int, n: int, _url: str) -> float:
    """Acknowledge and discard each message."""
    one = client(manual_ack=True)
    return count_with(one, host, port, n, lambda message: one.ack(message.mid, message.qos))


def naive(host: str, port: int, n: int, _url: str) -> float:
    """Run plain Python rules on a pydantic model in the callback, one sample a message."""
    firing_since: dict[str, Any] = {}
    hot_since: dict[str, Any] = {}
    alerts: list[tuple[str, str]] = []

    def work(message: mqtt.MQTTMessage) -> None:
        sample = Sample.model_validate_json(message.payload)
        hammer = message.topic
        for since, active, limit_s in (
            (firing_since, sample.active, 15.0),
            (hot_since, sample.oil_c > 80.0, 5.0),
        ):
            if not active:
                since.pop(hammer, None)
            elif (sample.time - since.setdefault(hammer, sample.time)).total_seconds() >= limit_s:
                alerts.append((hammer, str(sample.time)))

    return count_with(client(), host, port, n, work)


def whole(host: str, port: int, n: int, url: str) -> float:
    """Everything on: decode, reorder, detectors, tracker, one synced transaction a step, recording, acknowledgement.

    Alerts are posted to `url`.
    """
    from strikewatch.service import run
    from strikewatch.service.worker import Worker
    from strikewatch.settings.tree import load
    from strikewatch.sources.mqtt import Message, Subscriber
    from tests.service.processor import SECRET

    times: list[float] = []

    class Receiving(Subscriber):
        def take(self, limit: int, timeout_s: float) -> list[Message]:
            messages = super().take(limit, timeout_s)
            if messages and not times:
                waited_s = (time.time_ns() - messages[0].received_ns) / 1e9
                times.append(time.perf_counter() - waited_s)
            return messages

    class Timed(Worker):
        def turn(self, timeout_s: float) -> int:
            got = super().turn(timeout_s)
            if got:
                times.append(time.perf_counter())
            if self.messages >= n:
                processor.stop()
            return got

    run.Subscriber = Receiving  # type: ignore[misc]
    run.Worker = Timed  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "secret").write_text(SECRET)
        settings = load(
            given={
                "mqtt": {"host": host, "port": port, "client_id": CLIENT_ID, "version": "3.1.1"},
                "store": {"path": str(Path(folder) / "s.db")},
                "recording": {"folder": str(Path(folder) / "recordings")},
                "log": {"form": "json", "file": str(Path(folder) / "log")},
                "http": {"enabled": False},
                "webhooks": [
                    {
                        "name": "desk",
                        "url": url,
                        "secret_file": str(Path(folder) / "secret"),
                        "allow_private": ["127.0.0.0/8"],
                    }
                ],
            }
        )
        run.log.set_up(settings.log)
        sys.setswitchinterval(run.SWITCH_S)  # as `run` does
        run.return_freed_memory()
        processor = run.Processor(settings)
        processor.run()
    return times[-1] - times[0]


if __name__ == "__main__":
    kind, where, door, number, receiver = sys.argv[1:]
    print({"bare": bare, "naive": naive, "whole": whole}[kind](where, int(door), int(number), receiver))
