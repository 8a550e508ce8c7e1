"""All sources of a site: which of them take a topic, what to subscribe to, and what has been heard of each."""

from collections import deque
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected, SettingsError
from strikewatch.sources.decode import MAX_AHEAD
from strikewatch.sources.mapping.collector import Collector, Mapped, MappedReject, PassedOver
from strikewatch.sources.mapping.mistakes import read_tables
from strikewatch.sources.mapping.patterns import MAX_LENGTH
from strikewatch.sources.mapping.source import Route, Source
from strikewatch.sources.mapping.sparkplug import SparkplugSource
from strikewatch.sources.mapping.tables import SourceTable
from strikewatch.sources.mapping.values import shown

MAX_NAMED: Final = 20
"""How many things passed over are counted by name; the others are counted together, without a name."""
SILENT_MESSAGES: Final = 100
"""A source with this many messages and no value is probably misspelt."""
RATE_OVER_NS: Final = 60 * SECOND
"""The rate of messages is that of this last time."""


@dataclass(slots=True)
class RejectCount:
    """How often a reason occurred, and the latest detail."""

    count: int
    detail: str
    last_ns: Instant


@dataclass(slots=True)
class SourceHealth:
    """One source since the start of the process. Instants are wall time, ns; 0: never.

    `filters`: what it subscribes to. `rate_per_s`: messages, over the last minute. `lateness_s`: how long after its own
    time the newest value was received. `passed_over`: how often, by what and name.
    """

    name: str
    filters: tuple[str, ...] = ()
    messages: int = 0
    values: int = 0
    events: int = 0
    last_heard_ns: Instant = 0
    last_value_ns: Instant = 0
    lateness_s: float | None = None
    rejects: dict[str, RejectCount] = field(default_factory=dict)
    passed_over: dict[PassedOver, int] = field(default_factory=dict)
    rate_per_s: float = 0.0
    _counted: deque[tuple[Instant, int]] = field(default_factory=deque, repr=False)  # (when, messages) so far

    @property
    def rejected(self) -> int:
        """Number of payloads, records and values rejected."""
        return sum(each.count for each in self.rejects.values())

    @property
    def has_no_values(self) -> bool:
        """Whether many messages came and none had a value or an event: a name or path is probably misspelt."""
        return self.messages >= SILENT_MESSAGES and not self.values and not self.events

    def report(self, now: Instant) -> "SourceHealth":
        """Return a copy with the rate up to `now`; call it regularly."""
        self._counted.append((now, self.messages))
        while len(self._counted) > 2 and self._counted[1][0] <= now - RATE_OVER_NS:
            self._counted.popleft()
        begin, counted = self._counted[0]
        self.rate_per_s = (self.messages - counted) * SECOND / (now - begin) if now > begin else 0.0
        rejects = {reason: replace(count) for reason, count in self.rejects.items()}
        return replace(self, rejects=rejects, passed_over=dict(self.passed_over), _counted=deque())

    def record(
        self,
        events: Sequence[Event],
        rejects: Iterable[MappedReject],
        passed_over: Mapping[PassedOver, int],
        received: Instant,
    ) -> None:
        """Count what a message gave beside values."""
        self.events += len(events)
        for error, _, private in rejects:
            detail = "" if private else error.detail
            known = self.rejects.get(error.reason)
            if known is None:
                self.rejects[error.reason] = RejectCount(error.count, detail, received)
            else:
                known.count, known.detail, known.last_ns = known.count + error.count, detail, received
        for passed, count in passed_over.items():
            known_or_room = passed in self.passed_over or len(self.passed_over) < MAX_NAMED
            counted = passed if known_or_room else PassedOver(passed.what)
            self.passed_over[counted] = self.passed_over.get(counted, 0) + count


Taken = tuple[Route, ...]
"""How sources take a topic."""


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
        self.by_name: Final = {name: _source(name, table) for name, table in tables.items()}
        self._live = [source for source in self.by_name.values() if source.topics]
        self.health: Final = {
            source.name: SourceHealth(source.name, tuple(topic.filter for topic in source.topics))
            for source in self._live
        }
        self._taken = lru_cache(maxsize=32_768)(self._find)

    @property
    def sparkplug(self) -> list[SparkplugSource]:
        """The sources with a state to save."""
        return [source for source in self._live if isinstance(source, SparkplugSource)]

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

    def access_list(self, user: str) -> list[str]:
        """Return the lines of Mosquitto's access list that let the account `user` take in the sources."""
        lines = [f"user {user}", *(f"topic read {each}" for each in self.filters)]
        for source in self.sparkplug:
            if source.table.rebirth:
                for topic in source.table.topics:
                    namespace, group = [*topic.split("/"), "#"][:2]
                    group = "+" if group in ("#", "+") or "{" in group else group
                    lines.append(f"topic write {namespace}/{group}/NCMD/+")
        return list(dict.fromkeys(lines))

    def taken(self, topic: str) -> Taken:
        """Return the sources that take a topic."""
        return self._taken(topic) if len(topic) <= MAX_LENGTH else ()

    def _find(self, topic: str) -> Taken:
        found = (source.route(topic) for source in self._live)
        return tuple(route for route in found if route is not None)

    def pass_over_topic(self, topic: str, received: Instant) -> bool:
        """Count a topic that a source's filter brings and its pattern does not take; tell whether there is one."""
        for source in self._live:
            if any(each.covers(topic) for each in source.topics):
                health = self.health[source.name]
                health.messages += 1
                health.last_heard_ns = received
                health.record((), (), {PassedOver("topic", shown(topic).strip('"')): 1}, received)
                return True
        return False

    def report(self, now: Instant) -> tuple[SourceHealth, ...]:
        """Return the health of every source at a wall time, copied, so that other threads can read it."""
        return tuple(health.report(now) for health in self.health.values())

    def machine(self, topic: str, prefix: str) -> str | None:
        """Return the machine whose messages must stay in order with those of a topic; None if no source takes it.

        `prefix`: of the contract's topics, so that a hammer's mapped and other messages stay in order too.
        """
        taken = self.taken(topic)
        return taken[0].source.machine(taken[0], prefix) if taken else None

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
        """Map one message by every source that takes its topic. Never raises: what is wrong is in `rejects`.

        `latest`: times after it are refused (default: `decode.MAX_AHEAD` after receipt). `held`: hammers whose
        settings hold values, so that a null ends one.
        """
        found = Collector()
        taken = self.taken(topic)
        if not taken:
            found.reject([Rejected("no_source", f"{topic[:200]!r}: no source takes this topic")])
        latest = received_ns + MAX_AHEAD if latest is None else latest
        for route in taken:
            route.source.collect(route, payload, received_ns, latest, found, retained=retained, held=held)
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
        events, rejects = len(into.events), len(into.rejects)
        for route in taken:
            source = route.source
            health = self.health[source.name]
            health.messages += 1
            health.last_heard_ns = received
            values = into.values
            source.collect(route, payload, received, latest, into, retained=retained, held=held)
            if into.values > values:
                health.values += into.values - values
                health.last_value_ns = received
                health.lateness_s = (received - into.newest[into.keys[-1]]) / SECOND
            if into.events or into.rejects or into.passed_over:
                health.record(into.events[events:], into.rejects[rejects:], into.passed_over, received)
                into.passed_over = {}
                events, rejects = len(into.events), len(into.rejects)
            keys += into.keys
        into.keys = keys


def _source(name: str, table: SourceTable) -> Source:
    return (SparkplugSource if table.payload == "sparkplug" else Source)(name, table)
