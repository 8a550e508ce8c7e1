"""Alerts on MQTT, so that a lamp in the cab can react: what the webhooks get, on each hammer's own topic.

`{prefix}/{site}/{hammer}/alerts`, QoS 1: every step as the same CloudEvents JSON that is posted (CloudEvents MQTT
binding 1.0.2, structured mode; MQTT 5 carries its content type). `{prefix}/{site}/{hammer}/standing`, QoS 1 and
retained: the alerts that stand now, so that a lamp which connects late knows. It is published before the attempt counts
as done, and tells how things were at its `time`: a lamp must not take an old one for the present.

Nothing is subscribed to here, and the processor's own subscriptions (`samples`, `events`) match neither topic.
"""

import json
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import Instant
from strikewatch.sinks import webhook
from strikewatch.sinks.endpoint import Endpoint
from strikewatch.sinks.sender import Answer
from strikewatch.sinks.settings import MQTT_ALERTS
from strikewatch.sinks.settings import MqttSettings as Settings
from strikewatch.sources.mqtt.connect import context_of, dial, password_of
from strikewatch.sources.mqtt.settings import Settings as Broker
from strikewatch.storage.outbox.messages import Message

_TURN_S: Final = 0.1


def endpoint(settings: Settings, broker: Broker, standing: "Standing") -> Endpoint:
    """The endpoint that publishes."""
    return Endpoint(MQTT_ALERTS, settings, Publisher(settings, broker, standing))


Standing = Callable[[str, str], Sequence[dict[str, Any]]]
"""Site and hammer → the records of the alerts that stand."""


class _Client(paho.Client):
    """The client on a socket whose peer's name is verified, and that is closed where it is not."""

    context: ssl.SSLContext | None = None

    def _create_socket(self) -> Any:
        return dial(self.host, self.port, self.connect_timeout, self.context)


class _RefusedError(Exception):
    """The broker does not take it; the message says why."""


class Publisher:
    """Publishes to one broker; connects when there is something to say, and leaves when there is no more."""

    def __init__(self, settings: Settings, broker: Broker, standing: Standing) -> None:
        self._settings = settings
        self._broker = broker
        self._standing = standing
        self._client: paho.Client | None = None
        self._connected: ReasonCode | None = None
        self._taken: dict[int, ReasonCode] = {}
        self._story: list[str] = []

    def send(self, message: Message, now: Instant) -> Answer:
        """Publish a step and then what stands; done once the broker has both."""
        until = time.monotonic() + self._settings.timeout_s
        self._story = []
        try:
            client = self._client or self._connect(until)
            self._publish(client, *self._step(message), until)
            if self._settings.standing:
                for topic, payload in self._states(message, now):
                    self._publish(client, topic, payload, until, retain=True)
        except (OSError, ValueError, _RefusedError) as error:
            self.close()
            kind = "Timeout: " if isinstance(error, TimeoutError) else ""
            return Answer(False, f"{kind}{error}"[:200], story="\n".join(self._story))
        return Answer(True, "taken by the broker", story="\n".join(self._story))

    def rest(self) -> None:
        """Part from the broker until there is more: nobody is there to answer its pings."""
        self.close()

    def close(self) -> None:
        client, self._client, self._connected = self._client, None, None
        if client is not None:
            client.disconnect()

    def _step(self, message: Message) -> tuple[str, bytes]:
        told = json.loads(message.body)
        place = [told.get("site"), told.get("hammer")] if message.step != "test" else ["test", "test"]
        names = [name for name in place if name]
        return "/".join([self._broker.prefix, *names, "alerts"]), webhook.envelope(message)

    def _states(self, message: Message, now: Instant) -> list[tuple[str, bytes]]:
        told = json.loads(message.body)
        if message.step == "test":
            return []
        states = []
        places = dict.fromkeys((one["site"], one["hammer"]) for one in told.get("alerts", [told]))
        for site, hammer in (place for place in places if place[1]):  # of a site nobody's lamp is
            alerts = self._standing(site, hammer)
            highest = max((one["priority"] for one in alerts), key=PRIORITIES.index, default=None)
            state = {"time": instant.text(now), "highest": highest, "alerts": alerts}
            states.append(
                (
                    f"{self._broker.prefix}/{site}/{hammer}/standing",
                    json.dumps(state, ensure_ascii=False).encode(),
                )
            )
        return states

    def _connect(self, until: float) -> paho.Client:
        broker = self._broker
        five = broker.version == "5"
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._settings.client_id,
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, password_of(broker))
        client.context = context_of(broker)
        client.connect_timeout = min(broker.connect_timeout_s, self._settings.timeout_s)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        self._story.append(f"connecting to {broker.host} port {broker.port}")
        client.connect(broker.host, broker.port, keepalive=max(int(self._settings.timeout_s) * 2, 10))
        self._client = client
        self._turn(client, until, lambda: self._connected is not None)
        reason = self._connected
        if reason is not None and reason.is_failure:
            raise _RefusedError(f"the broker refuses the connection: {reason}")
        self._story.append(f"connected as {self._settings.client_id}")
        return client

    def _publish(
        self, client: paho.Client, topic: str, payload: bytes, until: float, *, retain: bool = False
    ) -> None:
        properties = None
        if self._broker.version == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            properties.ContentType = "application/json" if retain else webhook.CONTENT_TYPE
        info = client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        self._turn(client, until, lambda: info.mid in self._taken)
        reason = self._taken.pop(info.mid)
        if reason.is_failure:
            raise _RefusedError(f"the broker refuses {topic}: {reason}; see its access list")
        self._story.append(f"{topic}: {reason}")

    def _turn(self, client: paho.Client, until: float, done: Callable[[], bool]) -> None:
        """Let the client read and write until something is done."""
        while not done():
            if time.monotonic() >= until:
                raise TimeoutError("the broker does not answer in time")
            code = client.loop(_TURN_S)
            if code != paho.MQTT_ERR_SUCCESS and not done():
                raise ConnectionError(f"the connection to the broker ended: {paho.error_string(code)}")

    def _on_connect(
        self, _client: Any, _userdata: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._connected = reason

    def _on_publish(
        self, _client: Any, _userdata: Any, mid: int, reason: ReasonCode, _properties: Any
    ) -> None:
        self._taken[mid] = reason
