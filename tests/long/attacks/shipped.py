"""The broker with the configuration in `config/`, the accounts of a site, and a client with an attacker's account.

Each gateway has an account of its own, `<site>/<hammer>`, as the configuration asks for. `collector` is what a larger
site may have: one account that sends for all hammers.
"""

import json
import re
import shutil
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.sources.mqtt.network_thread import disconnect
from tests.broker import Broker, free_port
from tests.long.attacks.honest import HAMMERS, SITE

CONFIG = Path(__file__).parents[3] / "config"
PASSWORD = "gateway"
"""Of all gateways: who has one password has only this account."""
PROCESSOR_PASSWORD = "processor"
ATTACKER = "HB-66"
LATE = "HB-67"
"""Its gateway had no network: nothing newer may have come of it."""
HOLDING = "HB-68"
"""Its gateway sends on change only."""
HEATING = "HB-69"
"""Nothing newer may have come of it either."""
NEW = "HB-70"
"""Comes only after others have invented hammers."""
COLLECTOR = "collector"


class ShippedBroker(Broker):
    """Open for gateways on `port`; `processor_port` is the processor's listener, where it has one of its own."""

    def __init__(self, folder: Path) -> None:
        made = folder / "broker"
        made.mkdir(parents=True, exist_ok=True)
        for path in CONFIG.glob("mosquitto*"):
            shutil.copy(path, made)
        access = made / "mosquitto.acl"
        access.write_text(f"{access.read_text()}\nuser {COLLECTOR}\ntopic write strikewatch/#\n")
        text = (made / "mosquitto.conf").read_text()
        ports: dict[str, int] = {}

        def listener(found: re.Match[str]) -> str:
            ports[found[1]] = free_port()
            return f"listener {ports[found[1]]} 127.0.0.1"

        text = re.sub(r"^listener (\d+).*$", listener, text, flags=re.M)
        text = re.sub(r"^(user|log_dest) .*$", "", text, flags=re.M)
        text = re.sub(r"/mosquitto/(config|data)", str(made), text)
        own = [port for name, port in ports.items() if name != "1883"]
        self.processor_port = own[0] if own else ports["1883"]
        super().__init__(folder, port=ports["1883"], conf=f"{text}\nuser root\nlog_dest stderr\n")
        gateways = {
            f"{SITE}/{hammer}": PASSWORD for hammer in (*HAMMERS, ATTACKER, LATE, HOLDING, HEATING, NEW)
        }
        for name, accounts in (
            ("passwords", {COLLECTOR: PASSWORD, **gateways}),
            ("processor_passwords", {"processor": PROCESSOR_PASSWORD}),
        ):
            passwords = made / name
            passwords.write_text("".join(f"{user}:{password}\n" for user, password in accounts.items()))
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", passwords], check=True, capture_output=True)

    def client_id(self) -> str:
        """The client id under which the processor is connected: what somebody who saw the broker's log knows."""
        found = re.findall(r" as (\S+) \([^)]*u'processor'", self.log)
        return found[-1] if found else ""


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
        disconnect(self._client)

    def _taken(self, *_: Any) -> None:
        with self._changed:
            self._left -= 1
            self._changed.notify_all()
