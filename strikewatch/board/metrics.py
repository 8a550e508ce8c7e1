"""Figures for those who run the processor, in the text format of Prometheus."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import func, select

from strikewatch.alarm.lifecycle import OPEN
from strikewatch.board.health import Health
from strikewatch.model.alert import PRIORITIES
from strikewatch.store.alarm_tables import OPEN as NOT_NORMAL
from strikewatch.store.alarm_tables import handling
from strikewatch.store.beside import Place
from strikewatch.store.tables import alerts, outbox, reject_counts

BUCKETS_S: Final = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)


@dataclass(frozen=True, slots=True)
class Sources:
    """Where figures come from beside the database: messages taken in, and the database's size in bytes, if known."""

    messages: Callable[[], int]
    size: Callable[[], int | None]


class Metrics:
    """`text` is what is scraped."""

    def __init__(self, health: Health, place: Place, sources: Sources) -> None:
        self._registry = CollectorRegistry()
        self._registry.register(_Live(health, place, sources))
        steps = Histogram(
            "strikewatch_step_seconds",
            "From taking messages to acknowledging them",
            buckets=BUCKETS_S,
            registry=self._registry,
        )
        health.pulse.watch = steps.observe

    def text(self) -> bytes:
        """Raises StoreError."""
        return generate_latest(self._registry)


class _Live(Collector):
    def __init__(self, health: Health, place: Place, sources: Sources) -> None:
        self._health = health
        self._place = place
        self._sources = sources

    def describe(self) -> list[Metric]:
        """Nothing is asked when registered."""
        return []

    def collect(self) -> Iterator[Metric]:
        pulse, status = self._health.pulse, self._health.status()
        yield CounterMetricFamily(
            "strikewatch_messages", "Taken in since the start", self._sources.messages()
        )
        yield GaugeMetricFamily("strikewatch_queue_messages", "Not yet taken into a step", status.queued)
        yield GaugeMetricFamily("strikewatch_broker_connected", "1 when connected", int(status.connected))
        yield GaugeMetricFamily("strikewatch_lag_seconds", "Wait of the step under way", pulse.lag_s)
        if (age_s := pulse.step_age_s) is not None:
            yield GaugeMetricFamily("strikewatch_last_step_age_seconds", "Since the last step", age_s)
        if (size := self._sources.size()) is not None:
            yield GaugeMetricFamily("strikewatch_database_bytes", "The database with its log", size)
        yield from self._stored()

    def _stored(self) -> Iterator[Metric]:
        with self._place.read() as connection:
            counted = select(reject_counts.c.reason, reject_counts.c.n).order_by(reject_counts.c.reason)
            unused = connection.execute(counted).all()
            same = (alerts.c.site == handling.c.site) & (alerts.c.id == handling.c.id)
            counted_open = (
                select(alerts.c.priority, func.count().label("n"))
                .join_from(handling, alerts, same)
                .where(handling.c.state.in_(sorted(OPEN)), NOT_NORMAL)
                .group_by(alerts.c.priority)
            )
            by_priority = {one.priority: one.n for one in connection.execute(counted_open)}
            sent = connection.execute(
                select(outbox.c.endpoint, outbox.c.state, func.count())
                .group_by(outbox.c.endpoint, outbox.c.state)
                .order_by(outbox.c.endpoint, outbox.c.state)
            ).all()
        rejects = CounterMetricFamily(
            "strikewatch_unused",
            "Payloads and rows not used, duplicates and late ones too",
            labels=["reason"],
        )
        for reason, n in unused:
            rejects.add_metric([reason], n)
        yield rejects
        standing = GaugeMetricFamily("strikewatch_open_alerts", "Alerts that are open", labels=["priority"])
        for priority in PRIORITIES:
            standing.add_metric([priority], by_priority.get(priority, 0))
        yield standing
        made = GaugeMetricFamily("strikewatch_deliveries", "Kept deliveries", labels=["endpoint", "state"])
        for endpoint, outcome, n in sent:
            made.add_metric([endpoint, outcome], n)
        yield made
