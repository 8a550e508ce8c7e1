"""A site under simulated clocks: the real worker, store, recorder, retention and delivery loop, without threads."""

import json
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.delivery_loop import DeliveryLoop
from strikewatch.sinks.filter import Filter, Routes
from strikewatch.sinks.settings import Schedule
from strikewatch.sinks.sites import Sites
from strikewatch.sources import mqtt
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.retention import Retention

SITE = "fennick-hollow"
ENDPOINT = "office"


class Clocks:
    """True time and the machine's clocks; `off_ns`: the error of its wall clock."""

    def __init__(self, true: Instant) -> None:
        self._began = true
        self.true = true
        self.off_ns = 0

    def wall(self) -> Instant:
        return self.true + self.off_ns

    def monotonic(self) -> Instant:
        return self.true - self._began + 1000 * SECOND


class MessageSource:
    """A source of messages for the worker; fails unless they are acknowledged in the order in which they came."""

    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks
        self._coming: deque[mqtt.Message] = deque()
        self._unacknowledged: deque[int] = deque()
        self._sent = 0

    def send(self, hammer: str, kind: str, payload: Any) -> None:
        self._sent += 1
        topic = f"strikewatch/{SITE}/{hammer}/{kind}"
        body = json.dumps(payload).encode()
        self._coming.append(mqtt.Message(topic, body, self._clocks.wall(), self._sent, 1, 1, False))

    def take(self, limit: int, timeout_s: float) -> list[mqtt.Message]:
        del timeout_s
        taken = [self._coming.popleft() for _ in range(min(limit, len(self._coming)))]
        self._unacknowledged.extend(message.mid for message in taken)
        return taken

    def acknowledge(self, messages: Iterable[mqtt.Message]) -> None:
        for message in messages:
            assert message.mid == self._unacknowledged.popleft()

    @property
    def settled(self) -> bool:
        return not self._coming and not self._unacknowledged


@dataclass
class RecordingReceiver:
    """A sender that accepts every message and records it with the true time."""

    clocks: Clocks
    received: list[tuple[Instant, str, Mapping[str, Any]]] = field(default_factory=list)

    def send(self, message: Message, now: Instant) -> SendResult:
        del now
        self.received.append((self.clocks.true, message.step, json.loads(message.body)))
        return SendResult(True, "taken")

    def idle(self) -> None:
        """Do nothing: there is no connection."""

    def close(self) -> None:
        """Do nothing: there is no connection."""


class SimulatedSite:
    """The parts of the processor without threads; `turn` runs each of them once at the time of the clocks."""

    def __init__(
        self, folder: Path, clocks: Clocks, *, filters: Filter | None = None, zone: str = "UTC", **tables: Any
    ) -> None:
        self.folder, self.clocks = folder, clocks
        self.settings = Settings.model_validate(
            {
                "store": {"path": folder / "strikewatch.db"},
                "recording": {"folder": folder / "recordings", **tables.pop("recording", {})},
                **tables,
            }
        )
        self._routes = Routes({ENDPOINT: filters or Filter()}, Sites(zone=zone))
        self.line = MessageSource(clocks)
        self.office = RecordingReceiver(clocks)
        self.open()

    def open(self) -> None:
        clocks, settings = self.clocks, self.settings
        self.store = store = Store(
            self.folder / "strikewatch.db",
            {ENDPOINT: "http://office.invalid/"},
            settings.store.rejects_kept,
            settings.alarms,
            self._routes,
        )
        self.worker = Worker(
            settings,
            store,
            self.line,
            wall=clocks.wall,
            monotonic=clocks.monotonic,
            alerts_changed=lambda: None,
            wait=lambda _s: True,
        )
        endpoint = Endpoint(ENDPOINT, Schedule(), self.office)
        self._delivery_loop = DeliveryLoop(Outbox(store, ENDPOINT), endpoint, clocks.wall, clocks.monotonic)
        self.recorder = Recorder(store, settings.recording)
        self.retention = Retention(store, settings.store, clocks.monotonic)

    def restart(self) -> None:
        """Restart as after a power cut. Everything has been committed, so nothing is sent again."""
        self.store.close()
        self.open()

    def turn(self) -> None:
        """Process the messages that have come, and deliver what is due."""
        self.worker.turn(0.0)
        while not self.line.settled:
            self.worker.turn(0.0)
        self._delivery_loop.load()
        self._delivery_loop.send_due(lambda: False)

    def housekeep(self) -> None:
        """Run the recorder and the retention once, as the housekeeping thread does."""
        self.recorder.tick(self.clocks.wall())
        self.retention.tick(self.clocks.wall())

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        with self.store.read() as connection:
            return [tuple(row) for row in connection.exec_driver_sql(sql)]

    def alerts(self) -> list[dict[str, Any]]:
        """Return the stored alert records without withdrawn ones, in onset order."""
        found = [json.loads(record) for (record,) in self.query("select record from alerts")]
        kept = [record for record in found if "withdrawn" not in record["evidence"]]
        return sorted(kept, key=lambda one: (one["onset"], one["hammer"], one["fault"]))


@contextmanager
def simulated_site(folder: Path, clocks: Clocks, **more: Any) -> Iterator[SimulatedSite]:
    """SimulatedSite in an empty folder of their own."""
    folder.mkdir(parents=True, exist_ok=True)
    made = SimulatedSite(folder, clocks, **more)
    try:
        yield made
    finally:
        made.store.close()
