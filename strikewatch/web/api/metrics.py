"""Figures for those who run the processor, in the text format of Prometheus."""

from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import Final

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import func, select

from strikewatch.core.alert import PRIORITIES
from strikewatch.engine.lifecycle import ACTIVE
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import KINDS, counts, list_mutes
from strikewatch.storage.schema.tables import outbox, reject_counts
from strikewatch.web.api.health import Health

BUCKETS_S: Final = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)


@dataclass(frozen=True, slots=True)
class Sources:
    """Where figures come from beside the database: messages taken in, and the database's size in bytes, if known."""

    messages: Callable[[], int]
    size: Callable[[], int | None]


class Metrics:
    """`text` is what is scraped; `suppressed` are the faults that the settings name."""

    def __init__(
        self, health: Health, place: DatabaseAccess, sources: Sources, suppressed: Collection[str] = ()
    ) -> None:
        self._registry = CollectorRegistry()
        self._registry.register(_Live(health, place, sources, suppressed))
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
    def __init__(
        self, health: Health, place: DatabaseAccess, sources: Sources, suppressed: Collection[str]
    ) -> None:
        self._suppressed = suppressed
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
            by_state = counts(connection)
            muted = Counter(one.kind for one in list_mutes(connection, self._suppressed))
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
        opened = GaugeMetricFamily("strikewatch_open_alerts", "Alerts that are open", labels=["priority"])
        for priority in PRIORITIES:
            n = sum(n for (_, own), n in by_state.items() if own == priority)
            opened.add_metric([priority], n)
        yield opened
        active = GaugeMetricFamily(
            "strikewatch_active_alerts", "Alerts that are active", labels=["priority", "state"]
        )
        for priority in PRIORITIES:
            for state in sorted(ACTIVE):
                active.add_metric([priority, state], by_state.get((state, priority), 0))
        yield active
        ended = sum(n for (state, _), n in by_state.items() if state == "returned_unacknowledged")
        yield GaugeMetricFamily("strikewatch_ended_alerts", "Ended and not acknowledged", ended)
        aside = GaugeMetricFamily(
            "strikewatch_muted", "Shelves, hammers out of service, suppressed faults", labels=["kind"]
        )
        for kind in KINDS:
            aside.add_metric([kind], muted[kind])
        yield aside
        made = GaugeMetricFamily("strikewatch_deliveries", "Kept deliveries", labels=["endpoint", "state"])
        for endpoint, outcome, n in sent:
            made.add_metric([endpoint, outcome], n)
        yield made
