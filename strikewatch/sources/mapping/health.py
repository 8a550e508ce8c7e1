"""What has been heard of each source: for the page, /health and metrics."""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.mapping.collector import MappedReject, PassedOver

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
