"""MQTT clients for tests: gateways that publish, and listeners."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.sources.mqtt.network_thread import disconnect
from tests.waiting import until


class Broker(Protocol):
    """The address of a broker: `tests.broker` or that of the demo."""

    @property
    def host(self) -> str: ...
    @property
    def port(self) -> int: ...


@contextmanager
def connected(
    broker: Broker, on_message: Callable[..., None] | None = None, **options: Any
) -> Iterator[mqtt.Client]:
    """Yield a client, made with these options of paho's, that is connected until the end of the block.

    `on_message` also gets what a kept session has waiting, which comes at once.
    """
    client = mqtt.Client(CallbackAPIVersion.VERSION2, **options)
    client.on_message = on_message
    client.connect(broker.host, broker.port)
    client.loop_start()
    try:
        yield client
    finally:
        disconnect(client)


@contextmanager
def listening(broker: Broker, topic: str = "#", **options: Any) -> Iterator[list[mqtt.MQTTMessage]]:
    """Yield the list that messages on a topic are added to, once the broker has granted the subscription."""
    heard: list[mqtt.MQTTMessage] = []
    granted: list[object] = []
    with connected(broker, lambda _client, _data, message: heard.append(message), **options) as client:
        client.on_subscribe = lambda *_: granted.append(True)
        client.subscribe(topic, 1)
        until(lambda: granted)
        yield heard
