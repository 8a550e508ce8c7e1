"""What (c) is measured against, as a process: a paho client that acknowledges and discards, or works naively.

`python -m tests.benchmarks.subscriber PORT N enrol|bare|naive` prints the seconds from connecting to the Nth message.
"""

import sys
import time
from datetime import datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import BaseModel


class Sample(BaseModel):
    time: datetime
    active: bool
    pressure_bar: float
    oil_c: float


def main(port: int, n: int, how: str) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
    got = 0
    start = 0.0
    firing_s: dict[str, float] = {}
    last: dict[str, datetime] = {}

    def rule(message: mqtt.MQTTMessage) -> None:
        """Firing in one spot, as one would first write it."""
        if not message.topic.endswith("/samples"):
            return
        sample = Sample.model_validate_json(message.payload)
        step_s = (sample.time - last.get(message.topic, sample.time)).total_seconds()
        last[message.topic] = sample.time
        firing_s[message.topic] = firing_s.get(message.topic, 0.0) + step_s if sample.active else 0.0

    def came(_client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal got
        got += 1
        if how == "naive":
            rule(message)
        if got == n:
            print(time.perf_counter() - start)
            client.disconnect()

    def connected(*_: Any) -> None:
        nonlocal start
        start = time.perf_counter()
        if how == "enrol":
            client.subscribe("strikewatch/#", qos=1)

    client.on_connect = connected
    client.on_message = came
    client.on_subscribe = lambda *_: client.disconnect()
    client.connect("127.0.0.1", port)
    client.loop_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
