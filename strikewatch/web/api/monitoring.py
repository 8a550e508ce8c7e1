"""What monitoring systems ask for: liveness, readiness with reasons, and metrics in the text format of Prometheus."""

import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import func, select
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import SECOND
from strikewatch.engine.lifecycle import ACTIVE
from strikewatch.errors import StoreError
from strikewatch.sources.mapping import SourceHealth
from strikewatch.sources.mqtt import IN_USE, Status
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import KINDS, counts, list_mutes
from strikewatch.storage.schema.tables import outbox, reject_counts
from strikewatch.web.api.problems import ApiResponse, guarded
from strikewatch.web.authentication import Authenticator
from strikewatch.web.live.worker_stats import WorkerStats

WRITE_CHECK_S: Final = 1.0
"""The result of a trial write is reused for this long, so that frequent probes cost nothing."""
BUCKETS_S: Final = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)


class Health:
    """Whether the processor is alive and ready. `ready_lag_s`: the longest that a message may have waited."""

    def __init__(
        self,
        stats: WorkerStats,
        status: Callable[[], Status],
        database: DatabaseAccess,
        ready_lag_s: float,
        source_health: Callable[[], Sequence[SourceHealth]] = tuple,
    ) -> None:
        self.stats = stats
        self.status = status
        self.source_health = source_health
        self._database = database
        self._ready_lag_s = ready_lag_s
        self._lock = threading.Lock()
        self._checked_s = -WRITE_CHECK_S
        self._writable = False

    def reasons(self) -> list[str]:
        """Return why the processor is not ready, [] if it is. Contains no secret and no address."""
        reasons = []
        if not self.stats.alive:
            reasons.append("the worker has stopped")
        broker = self.status()
        if not broker.connected:
            reasons.append("the broker is not connected")
        elif any(not grant.startswith("Granted") for grant in broker.grants.values()):
            reasons.append("the broker denies a subscription")
        if broker.in_use:
            reasons.append(IN_USE)
        if self.stats.store_blocked or not self._can_write():
            reasons.append("the database refuses to be written")
        if self.stats.lag_s > self._ready_lag_s:
            reasons.append(f"messages have waited for more than {self._ready_lag_s:g} s")
        return reasons

    def warnings(self) -> list[str]:
        """Return what is wrong though the processor is ready: sources that probably have a wrong name or path."""
        return [
            f"source {source.name}: {source.messages:,} messages and no value; compare its table with what is sent"
            for source in self.source_health()
            if source.has_no_values
        ]

    def _can_write(self) -> bool:
        with self._lock:
            if time.monotonic() - self._checked_s >= WRITE_CHECK_S:
                try:
                    with self._database.write():
                        self._writable = True
                except StoreError:
                    self._writable = False
                self._checked_s = time.monotonic()
            return self._writable


@dataclass(frozen=True, slots=True)
class Gauges:
    """Figures that are not in the database: messages received, and the database's size in bytes, if known."""

    messages: Callable[[], int]
    database_bytes: Callable[[], int | None]


class Metrics:
    """The metrics that are scraped. `suppressed`: the faults that the settings suppress."""

    def __init__(
        self, health: Health, database: DatabaseAccess, gauges: Gauges, suppressed: Collection[str] = ()
    ) -> None:
        self._registry = CollectorRegistry()
        self._registry.register(_Collector(health, database, gauges, suppressed))
        steps = Histogram(
            "strikewatch_step_seconds",
            "From taking messages to acknowledging them",
            buckets=BUCKETS_S,
            registry=self._registry,
        )
        health.stats.on_step = steps.observe

    def text(self) -> bytes:
        """Return the exposition. Raises StoreError."""
        return generate_latest(self._registry)


@dataclass(frozen=True, eq=False)
class _Collector(Collector):
    _health: Health
    _database: DatabaseAccess
    _gauges: Gauges
    _suppressed: Collection[str]

    def describe(self) -> list[Metric]:
        """Return nothing, so that registering does not collect."""
        return []

    def collect(self) -> Iterator[Metric]:
        stats, status = self._health.stats, self._health.status()
        yield CounterMetricFamily("strikewatch_messages", "Received since the start", self._gauges.messages())
        yield GaugeMetricFamily("strikewatch_queue_messages", "Waiting for a step", status.queued)
        yield GaugeMetricFamily("strikewatch_broker_connected", "1 when connected", int(status.connected))
        yield GaugeMetricFamily(
            "strikewatch_lag_seconds", "Wait of the oldest message of the step in progress", stats.lag_s
        )
        if (age_s := stats.step_age_s) is not None:
            yield GaugeMetricFamily("strikewatch_last_step_age_seconds", "Since the last step", age_s)
        if (size := self._gauges.database_bytes()) is not None:
            yield GaugeMetricFamily("strikewatch_database_bytes", "The database with its log", size)
        yield from self._of_sources()
        yield from self._stored()

    def _of_sources(self) -> Iterator[Metric]:
        label = ["source"]
        messages = CounterMetricFamily("strikewatch_source_messages", "Of a mapped source", labels=label)
        values = CounterMetricFamily("strikewatch_source_values", "Values read of a source", labels=label)
        rejected = CounterMetricFamily("strikewatch_source_rejected", "Rejected of a source", labels=label)
        heard = GaugeMetricFamily(
            "strikewatch_source_last_heard", "Unix time of a source's last message, s; 0: none", labels=label
        )
        for source in self._health.source_health():
            messages.add_metric([source.name], source.messages)
            values.add_metric([source.name], source.values)
            rejected.add_metric([source.name], source.rejected)
            heard.add_metric([source.name], source.last_heard_ns / SECOND)
        yield from (messages, values, rejected, heard)

    def _stored(self) -> Iterator[Metric]:
        with self._database.read() as connection:
            by_reason = connection.execute(
                select(reject_counts.c.reason, reject_counts.c.n).order_by(reject_counts.c.reason)
            ).all()
            by_state = counts(connection)
            by_kind = Counter(mute.kind for mute in list_mutes(connection, self._suppressed))
            by_endpoint = connection.execute(
                select(outbox.c.endpoint, outbox.c.state, func.count())
                .group_by(outbox.c.endpoint, outbox.c.state)
                .order_by(outbox.c.endpoint, outbox.c.state)
            ).all()
        unused = CounterMetricFamily(
            "strikewatch_unused",
            "Payloads and rows not used, including duplicates and late rows",
            labels=["reason"],
        )
        for reason, count in by_reason:
            unused.add_metric([reason], count)
        yield unused
        opened: Counter[str] = Counter()
        for (_, priority), count in by_state.items():
            opened[priority] += count
        active = {
            (priority, state): by_state.get((state, priority), 0)
            for priority in PRIORITIES
            for state in sorted(ACTIVE)
        }
        ended = sum(count for (state, _), count in by_state.items() if state == "returned_unacknowledged")
        yield _gauge(
            "open_alerts", "Alerts that are open", ["priority"], {(p,): opened[p] for p in PRIORITIES}
        )
        yield _gauge("active_alerts", "Alerts that are active", ["priority", "state"], active)
        yield GaugeMetricFamily("strikewatch_ended_alerts", "Ended and not acknowledged", ended)
        muted = {(kind,): by_kind[kind] for kind in KINDS}
        yield _gauge("muted", "Shelves, hammers out of service, suppressed faults", ["kind"], muted)
        count_of = {(endpoint, state): count for endpoint, state, count in by_endpoint}
        yield _gauge("deliveries", "Deliveries on record", ["endpoint", "state"], count_of)


def _gauge(name: str, text: str, labels: list[str], values: Mapping[Any, float]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(f"strikewatch_{name}", text, labels=labels)
    for label_values, value in values.items():
        family.add_metric(label_values, value)
    return family


def monitoring_routes(
    health: Health, metrics: Metrics, authenticator: Authenticator, timeout_s: float
) -> list[Route]:
    """Return the routes /healthz, /readyz and /metrics."""

    def healthz(_request: Request) -> Response:
        alive = health.stats.alive
        return ApiResponse({"alive": alive}, 200 if alive else 503)

    def readyz(_request: Request) -> Response:
        reasons = health.reasons()
        answer: dict[str, Any] = {"ready": not reasons, "reasons": reasons}
        if warnings := health.warnings():
            answer["warnings"] = warnings
        return ApiResponse(answer, 503 if reasons else 200)

    def scrape(request: Request) -> Response:
        authenticator.authenticate_metrics(request)
        return Response(metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")

    def route(path: str, respond: Callable[[Request], Response]) -> Route:
        return Route(path, guarded(lambda request: run_in_threadpool(respond, request), timeout_s))

    return [route("/healthz", healthz), route("/readyz", readyz), route("/metrics", scrape)]
