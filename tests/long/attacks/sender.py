"""What an attacker has: a gateway's account at the broker, and as many messages as it likes."""

import json
import threading
from types import TracebackType
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.long.attacks.honest import SITE
from tests.long.attacks.shipped import ATTACKER, PASSWORD, ShippedBroker

IN_FLIGHT = 200
WAIT_S = 60.0


class Sender:
    """Publish at QoS 1 as `account`; leaving the block waits until the broker has everything. `sent`: payload bytes."""

    def __init__(self, broker: ShippedBroker, account: str = f"{SITE}/{ATTACKER}") -> None:
        self.sent = 0
        self._left = 0
        self._changed = threading.Condition()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"attack-{account.replace('/', '-')}"
        )
        self._client.username_pw_set(account, PASSWORD)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._client.on_publish = self._taken
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish under a whole topic."""
        with self._changed:
            self._changed.wait_for(lambda: self._left < 5 * IN_FLIGHT, WAIT_S)
            self._left += 1
        self.sent += len(payload)
        self._client.publish(topic, payload, qos=1, retain=retain)

    def send(self, payload: Any, kind: str = "samples", hammer: str = ATTACKER) -> None:
        """Publish as one of the site's hammers; what is not bytes becomes JSON."""
        body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.publish(f"strikewatch/{SITE}/{hammer}/{kind}", body)

    def __enter__(self) -> "Sender":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._changed:
            self._changed.wait_for(lambda: not self._left, WAIT_S)
        self._client.disconnect()
        self._client.loop_stop()

    def _taken(self, *_: Any) -> None:
        with self._changed:
            self._left -= 1
            self._changed.notify_all()
