"""Publish alerts on MQTT, for example for a lamp in the cab: what the webhooks get, on a topic of each hammer.

`{prefix}/{site}/{hammer}/alerts`, QoS 1: every step as the same CloudEvents JSON that is posted (CloudEvents MQTT
binding 1.0.2, structured mode; MQTT 5 carries its content type). `{prefix}/{site}/{hammer}/standing`, QoS 1 and
retained: the alerts that are active now, for a lamp that connects later. It is published as part of the attempt and
shows the state at its `time`, so a lamp must check how old it is.

This client subscribes to nothing, and the processor's own subscriptions (`samples`, `events`) match neither topic.
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
from strikewatch.sinks import Endpoint, SendResult, webhook
from strikewatch.sinks.settings import MQTT_ALERTS, MqttSettings
from strikewatch.sources.mqtt.connect import open_socket, read_password, tls_context
from strikewatch.sources.mqtt.settings import Settings as BrokerSettings
from strikewatch.storage.outbox.messages import Message

_LOOP_S: Final = 0.1


def endpoint(settings: MqttSettings, broker: BrokerSettings, standing: "ActiveAlerts") -> Endpoint:
    """Return the endpoint that publishes on MQTT."""
    return Endpoint(MQTT_ALERTS, settings, Publisher(settings, broker, standing))


ActiveAlerts = Callable[[str, str], Sequence[dict[str, Any]]]
"""(site, hammer) → records of the active alerts."""


class _Client(paho.Client):
    """A client whose socket verifies the broker's name."""

    context: ssl.SSLContext | None = None

    def _create_socket(self) -> Any:
        return open_socket(self.host, self.port, self.connect_timeout, self.context)


class _RefusedError(Exception):
    """The broker refused; the message says why."""


class Publisher:
    """Publishes to one broker; connects when there is a message, and disconnects when there is none."""

    def __init__(self, settings: MqttSettings, broker: BrokerSettings, standing: ActiveAlerts) -> None:
        self._settings = settings
        self._broker = broker
        self._active_alerts = standing
        self._client: paho.Client | None = None
        self._connected: ReasonCode | None = None
        self._acknowledged: dict[int, ReasonCode] = {}
        self._trace: list[str] = []

    def send(self, message: Message, now: Instant) -> SendResult:
        """Publish a step, then the active alerts; delivered once the broker has acknowledged both."""
        deadline_s = time.monotonic() + self._settings.timeout_s
        self._trace = []
        try:
            client = self._client or self._connect(deadline_s)
            self._publish(client, *self._step_message(message), deadline_s)
            if self._settings.standing:
                for topic, payload in self._active_messages(message, now):
                    self._publish(client, topic, payload, deadline_s, retain=True)
        except (OSError, ValueError, _RefusedError) as error:
            self.close()
            kind = "Timeout: " if isinstance(error, TimeoutError) else ""
            return SendResult(False, f"{kind}{error}"[:200], trace="\n".join(self._trace))
        return SendResult(True, "acknowledged by the broker", trace="\n".join(self._trace))

    def idle(self) -> None:
        """Disconnect until there is another message, since nothing answers the broker's pings meanwhile."""
        self.close()

    def close(self) -> None:
        client, self._client, self._connected = self._client, None, None
        if client is not None:
            client.disconnect()

    def _step_message(self, message: Message) -> tuple[str, bytes]:
        body = json.loads(message.body)
        place = [body.get("site"), body.get("hammer")] if message.step != "test" else ["test", "test"]
        names = [name for name in place if name]
        return "/".join([self._broker.prefix, *names, "alerts"]), webhook.envelope(message)

    def _active_messages(self, message: Message, now: Instant) -> list[tuple[str, bytes]]:
        body = json.loads(message.body)
        if message.step == "test":
            return []
        states = []
        places = dict.fromkeys((alert["site"], alert["hammer"]) for alert in body.get("alerts", [body]))
        for site, hammer in (place for place in places if place[1]):  # not for an alert of a whole site
            alerts = self._active_alerts(site, hammer)
            highest = max((alert["priority"] for alert in alerts), key=PRIORITIES.index, default=None)
            state = {"time": instant.text(now), "highest": highest, "alerts": alerts}
            states.append(
                (
                    f"{self._broker.prefix}/{site}/{hammer}/standing",
                    json.dumps(state, ensure_ascii=False).encode(),
                )
            )
        return states

    def _connect(self, deadline_s: float) -> paho.Client:
        broker = self._broker
        is_v5 = broker.version == "5"
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._settings.client_id,
            clean_session=None if is_v5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if is_v5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, read_password(broker))
        client.context = tls_context(broker)
        client.connect_timeout = min(broker.connect_timeout_s, self._settings.timeout_s)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        self._trace.append(f"connecting to {broker.host} port {broker.port}")
        client.connect(broker.host, broker.port, keepalive=max(int(self._settings.timeout_s) * 2, 10))
        self._client = client
        self._run_until(client, deadline_s, lambda: self._connected is not None)
        reason = self._connected
        if reason is not None and reason.is_failure:
            raise _RefusedError(f"the broker refuses the connection: {reason}")
        self._trace.append(f"connected as {self._settings.client_id}")
        return client

    def _publish(
        self, client: paho.Client, topic: str, payload: bytes, deadline_s: float, *, retain: bool = False
    ) -> None:
        properties = None
        if self._broker.version == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            properties.ContentType = "application/json" if retain else webhook.CONTENT_TYPE
        info = client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        self._run_until(client, deadline_s, lambda: info.mid in self._acknowledged)
        reason = self._acknowledged.pop(info.mid)
        if reason.is_failure:
            raise _RefusedError(f"the broker refuses {topic}: {reason}; see its access list")
        self._trace.append(f"{topic}: {reason}")

    def _run_until(self, client: paho.Client, deadline_s: float, done: Callable[[], bool]) -> None:
        """Run the client's network loop until `done`. Raises TimeoutError, ConnectionError."""
        while not done():
            if time.monotonic() >= deadline_s:
                raise TimeoutError("the broker does not answer in time")
            code = client.loop(_LOOP_S)
            if code != paho.MQTT_ERR_SUCCESS and not done():
                raise ConnectionError(f"the connection to the broker ended: {paho.error_string(code)}")

    def _on_connect(
        self, _client: Any, _userdata: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._connected = reason

    def _on_publish(
        self, _client: Any, _userdata: Any, mid: int, reason: ReasonCode, _properties: Any
    ) -> None:
        self._acknowledged[mid] = reason
