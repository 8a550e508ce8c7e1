"""A source of messages that notes how long steps take and how long messages have waited."""

from collections.abc import Callable, Iterable

from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.worker import Source
from strikewatch.sources.mqtt import Message
from strikewatch.web.live.worker_stats import WorkerStats


class Metered:
    def __init__(self, source: Source, stats: WorkerStats, wall: Callable[[], Instant]) -> None:
        self._source = source
        self._stats = stats
        self._wall = wall

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        messages = self._source.take(limit, timeout_s)
        if messages:
            self._stats.begin_step((self._wall() - min(one.received_ns for one in messages)) / SECOND)
        return messages

    def acknowledge(self, messages: Iterable[Message]) -> None:
        self._source.acknowledge(messages)
        self._stats.end_step()
