"""The bridge from MQTT to Apache Kafka: a message is acknowledged to the MQTT broker only once Kafka has it.

After a kill the broker sends again what was not acknowledged, so each message is in Kafka at least once, and in order
for each key apart from repetitions, which the ordering stage of the reader drops.
"""

import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any, Final, Protocol

import structlog

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import StrikewatchError
from strikewatch.fleet.kafka import KafkaWriter
from strikewatch.service.status import REPORT_EVERY_NS, StatusLog, SystemdNotifier
from strikewatch.settings.tree import Settings
from strikewatch.sinks.heartbeat import Heartbeat
from strikewatch.sources.decode import topic
from strikewatch.sources.mapping import SourceHealth, load_sources
from strikewatch.sources.mqtt import IN_USE, Message, Subscriber

_log: Final = structlog.get_logger("bridge")

MAX_TAKEN: Final = 1000
"""Largest number of messages that are taken at once."""
POLL_S: Final = 0.01
"""How long to wait for reports from Kafka while there may be messages to take."""
IDLE_S: Final = 0.2
STOP_S: Final = 10.0
"""How long a stop waits for Kafka to confirm what was sent."""
FRESH_S: Final = 10.0
"""The bridge counts as healthy for this long after it was last connected to the MQTT broker."""
REMEDY: Final = "messages wait at the MQTT broker; see whether Kafka runs, and the settings of `kafka`"


class Source(Protocol):
    """A source of messages, such as a `Subscriber`."""

    def take(self, limit: int, timeout_s: float) -> list[Message]: ...
    def acknowledge(self, messages: Iterable[Message]) -> None: ...


class Bridge:
    """Moves messages from a source to Kafka; call `turn` repeatedly from one thread."""

    rejected: Final[Counter[str]] = Counter()
    """Nothing is rejected here: payloads are not decoded."""
    source_health: Final[tuple[SourceHealth, ...]] = ()

    def __init__(self, source: Source, writer: KafkaWriter, in_flight_limit: int) -> None:
        self._source = source
        self._writer = writer
        self._limit = in_flight_limit
        self.messages = 0
        """Number of messages taken."""

    def turn(self, idle_s: float = IDLE_S) -> None:
        """Send what has come, wait up to `idle_s` for more, and acknowledge what Kafka has."""
        busy = self._writer.in_flight > 0
        taken: list[Message] = []
        if (room := self._limit - self._writer.in_flight) > 0:
            taken = self._source.take(min(room, MAX_TAKEN), 0.0 if busy else idle_s)
        for message in taken:
            self._writer.send(message)
        self.messages += len(taken)
        self._confirm(POLL_S if busy and not taken else 0.0)

    def finish(self, within_s: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        """Wait until Kafka has all that was sent, but not while it is out of reach."""
        deadline = monotonic() + within_s
        while self._writer.in_flight and not self._writer.problem and monotonic() < deadline:
            self._confirm(POLL_S)

    def _confirm(self, timeout_s: float) -> None:
        if confirmed := self._writer.poll(timeout_s):
            self._source.acknowledge(confirmed)


class KafkaLog:
    """Logs when Kafka is out of reach, once and then each minute, when it is back, and each minute what was written."""

    def __init__(self, monotonic: Callable[[], Instant]) -> None:
        self._monotonic = monotonic
        self._problem = self._connected = False
        self._logged = self._reported = monotonic()
        self._written = self._too_large = 0

    def update(self, writer: KafkaWriter, waiting: int) -> None:
        """Log what has changed. `waiting`: number of messages that are received and not sent."""
        now = self._monotonic()
        if writer.problem and (not self._problem or now - self._logged >= REPORT_EVERY_NS):
            self._problem, self._logged, self._connected = True, now, False
            _log.error("kafka_unreachable", problem=writer.problem, in_flight=writer.in_flight, remedy=REMEDY)
        elif writer.connected and not self._connected:
            self._problem, self._connected = False, True
            _log.info("kafka_connected")
        if writer.too_large > self._too_large:
            _log.warning(
                "payloads_too_large",
                since_last=writer.too_large - self._too_large,
                remedy="raise the topic's max.message.bytes and kafka.max_message_bytes, or send smaller blocks",
            )
            self._too_large = writer.too_large
        if now - self._reported >= REPORT_EVERY_NS:
            per_s = (writer.written - self._written) / ((now - self._reported) / SECOND)
            self._reported, self._written = now, writer.written
            _log.info(
                "bridge",
                written=writer.written,
                written_per_s=round(per_s, 1),
                in_flight=writer.in_flight,
                waiting=waiting,
            )


def run_bridge(
    settings: Settings, stopping: threading.Event, wall: Callable[[], Instant] = time.time_ns
) -> None:
    """Run until `stopping` is set.

    Raises StrikewatchError: the settings cannot be used, confluent-kafka is not installed, or a thread has died.
    """
    sources = load_sources(settings.sources_file)
    prefix = settings.mqtt.prefix

    def machine_of(name: str) -> str | None:
        return sources.machine(name, prefix)

    def key_of(name: str) -> str:
        machine = (not topic.is_own(name, prefix) and machine_of(name)) or topic.machine(name, prefix)
        return machine.removeprefix(f"{prefix}/").replace("\0", "/")

    kafka = settings.kafka
    writer = KafkaWriter(kafka, key_of, verbose=settings.log.level == "debug")
    subscriber = Subscriber(
        settings.mqtt.model_copy(update={"client_id": kafka.client_id}),
        wall,
        filters=sources.filters,
        machine_of=machine_of,
    )
    bridge = Bridge(subscriber, writer, kafka.in_flight_limit)
    health = _Health(settings, bridge, subscriber, writer, stopping, wall)
    subscriber.start()
    health.start()
    try:
        while not stopping.is_set():
            bridge.turn()
            health.update()
        bridge.finish(STOP_S)
    finally:
        stopping.set()
        health.stop()
        subscriber.stop()
        unconfirmed = writer.in_flight
        writer.close()
    if health.failure is not None:
        raise StrikewatchError(f"stopped, since a thread died: {health.failure}") from health.failure
    _log.info("stopped", messages=bridge.messages, written=writer.written, not_confirmed=unconfirmed)


class _Health:
    """What the bridge reports of itself: log, alive file, systemd, heartbeat."""

    def __init__(
        self,
        settings: Settings,
        bridge: Bridge,
        subscriber: Subscriber,
        writer: KafkaWriter,
        stopping: threading.Event,
        wall: Callable[[], Instant],
    ) -> None:
        self._bridge, self._subscriber, self._writer = bridge, subscriber, writer
        self._stopping = stopping
        self._alive_file = settings.alive_file
        self._mqtt_log, self._kafka_log = StatusLog(time.monotonic_ns), KafkaLog(time.monotonic_ns)
        self._supervisor = SystemdNotifier()
        self._fresh_s = self._touched_s = -math.inf
        self.failure: BaseException | None = None
        self._heartbeat = (
            Heartbeat(settings.heartbeat, self._state, wall, stopping.wait, self._fail)
            if settings.heartbeat
            else None
        )

    def start(self) -> None:
        if self._heartbeat is not None:
            self._heartbeat.start()

    def update(self) -> None:
        status = self._subscriber.status()
        self._mqtt_log.update(status, self._bridge)
        self._kafka_log.update(self._writer, status.queued)
        self._supervisor.alive()
        now = time.monotonic()
        if status.connected and not self._writer.problem:
            self._fresh_s = now
            if self._alive_file is not None and now - self._touched_s >= 1.0:
                self._touched_s = now
                self._alive_file.touch()

    def stop(self) -> None:
        self._supervisor.stopping()
        if self._heartbeat is not None:
            self._heartbeat.join()

    def _state(self) -> dict[str, Any] | None:
        if time.monotonic() - self._fresh_s >= FRESH_S:
            return None
        in_use = IN_USE if self._subscriber.status().in_use else None
        return {"messages": self._bridge.messages, "trouble": self._writer.problem or in_use}

    def _fail(self, error: BaseException) -> None:
        self.failure = error
        self._stopping.set()
