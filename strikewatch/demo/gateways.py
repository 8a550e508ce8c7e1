"""The gateways of the invented site: six MQTT clients that publish messages when the accelerated clock reaches them."""

import threading
import time
from collections.abc import Callable
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.day import site_messages
from strikewatch.demo.site import HAMMERS, SITE
from strikewatch.errors import BrokerError


class PacedClock:
    """Event time that starts at `start_event_ns` and runs `pace` times as fast as the monotonic clock.

    The grace period of the processor is event time too: at pace 60, 30 s of it are half a real second.
    """

    def __init__(
        self, start_event_ns: Instant, pace: float, monotonic_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        if pace <= 0.0:
            raise ValueError(f"pace is {pace}: it must be above 0")
        self.start_event_ns = start_event_ns
        self.pace = pace
        self._monotonic_ns = monotonic_ns
        self._started_ns = monotonic_ns()

    def now_ns(self) -> Instant:
        """Return the accelerated wall-clock time."""
        return self.start_event_ns + round((self._monotonic_ns() - self._started_ns) * self.pace)

    def real_s_until(self, event_ns: Instant) -> float:
        """Return the real seconds until the clock shows `event_ns`; 0 if it is past."""
        return max(0.0, (event_ns - self.now_ns()) / (self.pace * SECOND))


QOS: Final = 1
FLUSH_S: Final = 2.0


class Gateways:
    """Publishes the messages of the site until stopped. `sent` counts them.

    `failure` is the error that ended the publishing thread, if one did. Use as a context manager or by
    `start` and `stop`; `stop` may be called twice, and from any thread.
    """

    def __init__(
        self, host: str, port: int, clock: PacedClock, seed: int = 1, prefix: str = "strikewatch"
    ) -> None:
        self._host, self._port = host, port
        self._clock = clock
        self._seed = seed
        self._prefix = prefix
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._clients: dict[str, mqtt.Client] = {}
        self.sent = 0
        self.failure: Exception | None = None

    def start(self) -> "Gateways":
        """Connect the gateways and start to publish. Raises BrokerError if the broker cannot be reached."""
        try:
            for hammer in HAMMERS.values():
                name = f"{SITE}-gateway-{hammer.carrier}"
                client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name)
                client.connect(self._host, self._port)
                client.loop_start()
                self._clients[hammer.name] = client
        except OSError as error:
            self.stop()
            raise BrokerError(f"no broker for the gateways at {self._host}:{self._port}: {error}") from error
        self._thread = threading.Thread(target=self._publish, name="gateways", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stop publishing, wait briefly for messages in flight, and disconnect."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()
        self._clients.clear()

    def __enter__(self) -> "Gateways":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _publish(self) -> None:
        last: dict[str, mqtt.MQTTMessageInfo] = {}
        try:
            for message in site_messages(self._clock.start_event_ns, self._seed):
                wait_s = self._clock.real_s_until(message.due_ns)
                if self._stopping.wait(wait_s) if wait_s else self._stopping.is_set():
                    break
                client = self._clients[message.hammer]
                last[message.hammer] = client.publish(f"{self._prefix}/{message.topic}", message.payload, QOS)
                self.sent += 1
            for info in last.values():
                info.wait_for_publish(FLUSH_S)
        except Exception as error:  # noqa: BLE001 - reported to the supervisor of the demo
            self.failure = error
