"""What has been heard of each source: for the page, /health and metrics."""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.mapping.collector import MappedReject, PassedOver

MAX_NAMED: Final = 20
"""How many things passed over are counted by name; the others are counted together, without a name."""
SILENT_MESSAGES: Final = 100
"""A source with this many messages and no value is probably misspelt."""
_RATE_OVER: Final = 60 * SECOND
_INTERVALS: Final = 6


@dataclass(slots=True)
class RejectCount:
    """How often a reason occurred, and the latest detail."""

    count: int
    detail: str
    last_ns: Instant


@dataclass(slots=True)
class SourceHealth:
    """One source since the start of the process. Instants are wall time, ns; 0: never.

    `lateness_s`: how long after its own time the newest value was received. `passed_over`: by what and name. `filters`:
    what it subscribes to.
    """

    name: str
    filters: tuple[str, ...] = ()
    messages: int = 0
    values: int = 0
    events: int = 0
    first_heard_ns: Instant = 0
    last_heard_ns: Instant = 0
    last_value_ns: Instant = 0
    lateness_s: float | None = None
    rejects: dict[str, RejectCount] = field(default_factory=dict)
    passed_over: dict[PassedOver, int] = field(default_factory=dict)
    _recent: deque[tuple[Instant, int]] = field(default_factory=deque, repr=False)

    @property
    def rejected(self) -> int:
        """Number of payloads, records and values rejected."""
        return sum(each.count for each in self.rejects.values())

    @property
    def has_no_values(self) -> bool:
        """Whether many messages came and none had a value or an event: a name or path is probably misspelt."""
        return self.messages >= SILENT_MESSAGES and not self.values and not self.events

    def rate_per_s(self, now: Instant) -> float:
        """Return the messages per second over the last minute, or since the first message."""
        begin = max(now - _RATE_OVER, self.first_heard_ns - SECOND)
        counted = sum(count for at, count in self._recent if at >= begin)
        return counted / max((now - begin) / SECOND, 1.0)

    def record(self, received: Instant, values: int, events: int, newest: Instant | None) -> None:
        """Count one message and what it gave; `newest`: the time of its newest row."""
        self.messages += 1
        self.first_heard_ns = self.first_heard_ns or received
        self.last_heard_ns = received
        interval = received - received % (_RATE_OVER // _INTERVALS)
        if self._recent and self._recent[-1][0] == interval:
            self._recent[-1] = interval, self._recent[-1][1] + 1
        else:
            self._recent.append((interval, 1))
            if len(self._recent) > _INTERVALS + 1:
                self._recent.popleft()
        self.events += events
        if values:
            self.values += values
            self.last_value_ns = received
        if newest is not None:
            self.lateness_s = (received - newest) / SECOND

    def reject(self, rejects: Iterable[MappedReject], received: Instant) -> None:
        """Count rejects."""
        for error, _, private in rejects:
            detail = "" if private else error.detail
            known = self.rejects.get(error.reason)
            if known is None:
                self.rejects[error.reason] = RejectCount(error.count, detail, received)
            else:
                known.count, known.detail, known.last_ns = known.count + error.count, detail, received

    def pass_over(self, passed: PassedOver, count: int) -> None:
        """Count something passed over."""
        if passed not in self.passed_over and len(self.passed_over) >= MAX_NAMED:
            passed = PassedOver(passed.what)
        self.passed_over[passed] = self.passed_over.get(passed, 0) + count
