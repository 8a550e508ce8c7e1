"""The demo's day on the site: who works where, everything that the six gateways send, and the clients that send it.

Two carriers are instrumented, so that misuse shows; the planned misuse recurs in every part of the day.

The first hour is arranged so that each fault shows early: oil is warm already, HB-04's gateway has signal
again and sends the backlog of the morning, and op-13 has not greased. Then one part follows another without end.
The MQTT clients publish each message when the accelerated clock reaches it.
"""

import heapq
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import count
from typing import Any, Final

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.feed import Feed, block, dump, event_payload, payloads, sense
from strikewatch.demo.machine import Equipment, Greaser, MaintenanceTask, PlannedMisuse, Range
from strikewatch.demo.site import HAMMERS, INSTRUMENTED, OPERATORS, SITE, Hammer, random_source, simulate
from strikewatch.demo.work import Plan, Worker, WorkPeriod
from strikewatch.errors import BrokerError
from strikewatch.sources.mqtt.network_thread import disconnect

QOS: Final = 1
FLUSH_S: Final = 2.0
START_NS: Final = instant.parse("2026-07-14T11:00:00Z")
"""When the demo's day begins, by its own clock."""
SLICE_S: Final = 60
PART_H: Final = 4.0
MORNING_H: Final = 1.95
"""How long HB-04 has run, without greasing and without signal, when the demo begins."""
MORNING_STEP_S: Final = 5.0
SILENT_S: Final[Range] = (700.0, 790.0)
"""Seconds into the demo during which nothing of HB-06 gets through."""

FIRST_OPERATORS: Final[dict[str, tuple[tuple[str, float], ...]]] = {
    "HB-01": (("op-12", 2.0), ("op-11", PART_H)),
    "HB-02": (("op-16", 2.0), ("op-17", PART_H)),
    "HB-03": (("op-14", 2.0), ("op-13", PART_H)),
    "HB-04": (("op-13", MORNING_H + 0.35), ("op-11", MORNING_H + PART_H)),
    "HB-05": (("op-15", 2.0), ("op-12", PART_H)),
    "HB-06": (("op-18", 2.0), ("op-14", PART_H)),
}
"""Who works on each hammer in the first part, until how many hours after it began."""
INITIAL_OIL_C: Final = {
    "HB-01": 73.0,
    "HB-02": 77.0,
    "HB-03": 66.0,
    "HB-04": 55.0,
    "HB-05": 60.0,
    "HB-06": 62.0,
}


PLANNED_MISUSE: Final[dict[str, tuple[PlannedMisuse, ...]]] = {
    "HB-01": (
        PlannedMisuse(200.0, "off_square"),
        PlannedMisuse(960.0, "low_engine_speed"),
        PlannedMisuse(1500.0, "prying"),
        PlannedMisuse(2040.0, "askew_at_end"),
        PlannedMisuse(2700.0, "lifted"),
        PlannedMisuse(3400.0, "over_side"),
    ),
    "HB-06": (
        PlannedMisuse(90.0, "submerged"),
        PlannedMisuse(1800.0, "too_light"),
        PlannedMisuse(2400.0, "end_of_stroke"),
    ),
}
"""Seconds into a part; the first of each before the site is in a flood of alerts."""
MAINTENANCE: Final[dict[str, tuple[MaintenanceTask, ...]]] = {
    "HB-01": (
        MaintenanceTask(
            1200.0,
            "inspection",
            {"bushing": "second_groove_faint", "turned_before": False, "bore_mm": 84.2, "tool_mm": 79.1},
        ),
        MaintenanceTask(3000.0, "tool_change", {"tool": "chisel", "serial": "T-0388", "reason": "worn"}),
    ),
    "HB-06": (MaintenanceTask(2200.0, "refill"),),
}
LOW_ON_GREASE: Final = Greaser(level=0.103)
"""HB-06's reservoir when the demo begins: a few minutes later it is low."""


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message: not sent before event time `due_ns`. `topic` without the prefix."""

    due_ns: Instant
    hammer: str
    topic: str
    payload: bytes


def site_messages(start_ns: Instant, seed: int) -> Iterator[Message]:
    """Yield the messages of all gateways in order of time, without end."""
    streams = [hammer_messages(hammer, start_ns, seed) for hammer in (HAMMERS | INSTRUMENTED).values()]
    return heapq.merge(*streams, key=lambda message: message.due_ns)


def hammer_messages(hammer: Hammer, start_ns: Instant, seed: int) -> Iterator[Message]:
    """Yield the messages of one gateway; each part of the day continues where the last one ended."""
    worker = simulate(_first_plan(hammer, start_ns), seed)
    yield from _part(hammer, worker, start_ns, seed, 0)
    for part in count(1):
        worker = simulate(_next_plan(hammer, worker, part), seed + part)
        yield from _part(hammer, worker, worker.plan.start_ns, seed, part)


def _first_plan(hammer: Hammer, start_ns: Instant) -> Plan:
    work_periods = tuple(
        WorkPeriod(OPERATORS[name], hours * 3600.0) for name, hours in FIRST_OPERATORS[hammer.name]
    )
    early_ns = round(MORNING_H * 3600.0) * SECOND if hammer.name == "HB-04" else 0
    return Plan(
        SITE,
        hammer.name,
        start_ns - early_ns,
        work_periods,
        hammer.center_m,
        hammer.breaker,
        oil_c=INITIAL_OIL_C[hammer.name],
        air_c=(36.0, 38.0),
        warm_up_s=20.0,
        equipment=_equipment_of(hammer),
    )


def _equipment_of(hammer: Hammer) -> Equipment | None:
    if hammer.equipment is None:
        return None
    greaser = LOW_ON_GREASE if hammer.name == "HB-06" else hammer.equipment.greaser
    return replace(
        hammer.equipment,
        planned_misuse=PLANNED_MISUSE[hammer.name],
        tasks=MAINTENANCE[hammer.name],
        greaser=greaser,
    )


def _next_plan(hammer: Hammer, before: Worker, part: int) -> Plan:
    names = list(OPERATORS)
    position = list(HAMMERS).index(hammer.name)
    work_periods = tuple(
        WorkPeriod(OPERATORS[names[(position + 3 * part + turn) % len(names)]], (turn + 1) * PART_H * 1800.0)
        for turn in range(2)
    )
    return replace(
        before.plan,
        start_ns=before.timeline.now_ns,
        work_periods=work_periods,
        oil_c=before.timeline.oil_c,
        grease_age_s=before.timeline.running_s - before.greased_s,
        equipment=before.equipment_after(),
    )


def _part(hammer: Hammer, worker: Worker, start_ns: Instant, seed: int, part: int) -> Iterator[Message]:
    """Yield samples and events of one worker from `start_ns` on; earlier ones first, as one backlog."""
    end_ns = worker.timeline.now_ns
    if worker.plan.start_ns < start_ns:
        yield from _morning(hammer, worker, start_ns, seed)
    later = [_event_message(hammer, event, event.time) for event in worker.events if event.time >= start_ns]
    samples = (
        message
        for slice_ns in range(start_ns, end_ns, SLICE_S * SECOND)
        for message in _slice(
            hammer, worker, slice_ns, random_source(seed + part, hammer.name, slice_ns // SECOND)
        )
        if part or not _silent(hammer, message.due_ns - start_ns)
    )
    yield from heapq.merge(later, samples, key=lambda message: message.due_ns)


def _silent(hammer: Hammer, after_ns: int) -> bool:
    return hammer.name == "HB-06" and SILENT_S[0] <= after_ns / SECOND < SILENT_S[1]


def _slice(hammer: Hammer, worker: Worker, slice_ns: Instant, rng: np.random.Generator) -> Iterator[Message]:
    feed = hammer.feed
    rows = sense(worker.timeline, feed, slice_ns, slice_ns + SLICE_S * SECOND, rng)
    for due_ns, payload in payloads(rows, feed.form, feed.step_s, hammer.carrier):
        yield Message(due_ns, hammer.name, f"{SITE}/{hammer.name}/samples", payload)


def _morning(hammer: Hammer, worker: Worker, start_ns: Instant, seed: int) -> Iterator[Message]:
    """Yield the backlog: without signal the gateway stored few slow samples, and sends them in one block."""
    for event in worker.events:
        if event.time < start_ns:
            yield _event_message(hammer, event, start_ns)
    sparse = Feed(MORNING_STEP_S, active=False, run_on_s=None)
    rows = sense(worker.timeline, sparse, worker.plan.start_ns, start_ns, random_source(seed, hammer.name, 1))
    slow = Rows(rows.time_ns, {name: rows.columns[name] for name in ("engine_rpm", "oil_c")})
    body: dict[str, Any] = block(slow, MORNING_STEP_S, imperial=hammer.feed.form == "imperial")
    payload = dump(body)
    yield Message(start_ns, hammer.name, f"{SITE}/{hammer.name}/samples", payload)


def _event_message(hammer: Hammer, event: Event, due_ns: Instant) -> Message:
    return Message(due_ns, hammer.name, f"{SITE}/{hammer.name}/events", event_payload(event))


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
            disconnect(client)
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
