"""All sources of a site: which of them take a topic, what to subscribe to, and the health of each."""

from collections.abc import Container, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected, SettingsError
from strikewatch.sources.decode import MAX_AHEAD
from strikewatch.sources.mapping.collector import Collector, Mapped
from strikewatch.sources.mapping.health import SourceHealth
from strikewatch.sources.mapping.mistakes import read_tables
from strikewatch.sources.mapping.patterns import MAX_LENGTH
from strikewatch.sources.mapping.source import Source, Words
from strikewatch.sources.mapping.tables import SourceTable

Taken = tuple[tuple[Source, Words], ...]
"""The sources that take a topic, with the words it gives each."""


def load_sources(path: Path | None) -> "Sources":
    """Read a file of source tables; without one there are no sources. Raises SettingsError with every mistake."""
    if path is None:
        return Sources({})
    tables, problems = read_tables(path)
    if problems:
        raise SettingsError(problems)
    return Sources(tables)


class Sources:
    """The sources of a file, compiled. Used by one thread only."""

    def __init__(self, tables: Mapping[str, SourceTable]) -> None:
        self.by_name: Final = {name: Source(name, table) for name, table in tables.items()}
        self._live = [source for source in self.by_name.values() if source.topics]
        self.health: Final = {
            source.name: SourceHealth(source.name, tuple(topic.filter for topic in source.topics))
            for source in self._live
        }
        self._taken = lru_cache(maxsize=32_768)(self._find)

    def __bool__(self) -> bool:
        """Return whether any source takes messages."""
        return bool(self._live)

    @property
    def filters(self) -> dict[str, int]:
        """The topic filters to subscribe to, and the QoS of each.

        Without times of its own a source must not receive messages late, so the broker need not keep them: QoS 0.
        """
        found: dict[str, int] = {}
        for source in self._live:
            for topic in source.topics:
                found[topic.filter] = max(found.get(topic.filter, 0), 0 if source.arrival else 1)
        return found

    def taken(self, topic: str) -> Taken:
        """Return the sources that take a topic."""
        return self._taken(topic) if len(topic) <= MAX_LENGTH else ()

    def _find(self, topic: str) -> Taken:
        found = ((source, source.match(topic)) for source in self._live)
        return tuple((source, words) for source, words in found if words is not None)

    def line(self, topic: str) -> Key | tuple[str, ...] | None:
        """Return whose messages must stay in order with those of a topic: a hammer's, or those of part of a source."""
        taken = self.taken(topic)
        return taken[0][0].line(taken[0][1]) if taken else None

    def map(
        self,
        topic: str,
        payload: bytes,
        received_ns: Instant,
        *,
        latest: Instant | None = None,
        retained: bool = False,
        held: Container[Key] = (),
    ) -> Mapped:
        """Map one message by every source that takes its topic; see `Source.map`."""
        found = Collector()
        taken = self.taken(topic)
        if not taken:
            found.reject([Rejected("no_source", f"{topic[:200]!r}: no source takes this topic")])
        latest = received_ns + MAX_AHEAD if latest is None else latest
        for source, words in taken:
            source.collect(words, payload, received_ns, latest, found, retained=retained, held=held)
        return found.result()

    def collect(
        self,
        taken: Taken,
        payload: bytes,
        received: Instant,
        latest: Instant,
        into: Collector,
        *,
        retained: bool = False,
        held: Container[Key] = (),
    ) -> None:
        """Add what a message gives to `into`, and to the health of its sources; `taken`: the sources of its topic.

        What is passed over is only counted in the health.
        """
        keys: list[Key] = []
        for source, words in taken:
            values, events, rejects = into.values, len(into.events), len(into.rejects)
            source.collect(words, payload, received, latest, into, retained=retained, held=held)
            health = self.health[source.name]
            newest = max([into.newest[key] for key in into.keys]) if into.keys else None
            health.record(received, into.values - values, len(into.events) - events, newest)
            if len(into.rejects) > rejects:
                health.reject(into.rejects[rejects:], received)
            if into.passed_over:
                for passed, count in into.passed_over.items():
                    health.pass_over(passed, count)
                into.passed_over = {}
            keys += into.keys
        into.keys = keys
