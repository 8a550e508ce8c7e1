"""All hammers as the page shows them, with their last hours.

The worker's thread queues the result of each step; the page's thread applies it, so that no step waits.
"""

import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Floats, Ints, Key, Portion, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import coverage
from strikewatch.detectors.kernels import NEVER
from strikewatch.engine.packed_state import unpack
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.engine.step_result import StepResult
from strikewatch.storage.queries.sites import Sites
from strikewatch.web.live.snapshot import (
    DueItem,
    Limits,
    Snapshot,
    WorkUnderWay,
    due_items,
    take_snapshot,
    work_under_way,
)

MINUTE: Final = 60 * SECOND
HOUR: Final = 60 * MINUTE
CONDENSED_ROWS: Final = 1000
"""Of a portion with more rows than this, the page's thread gets only what it needs: a message can become 86,400."""
MOST_PENDING_STEPS: Final = 20_000
"""Steps that may wait to be applied; beyond that the page leaves out the oldest."""
REPORTING: Final = 15 * SECOND
"""A hammer that was heard within this reports; the page's script (`live.js`) has the same figure."""
_MOST_BOUTS_PER_MINUTE: Final = 12

Span = tuple[Instant, Instant]
"""Begin and end, event time, ns."""


class RecentHours:
    """The last hours of one hammer: bouts, the oil by the minute, and the minutes in which it was heard.

    Memory is bounded: one cell a minute, and the bouts of that time. All instants are event time, ns.
    """

    def __init__(self, hours: float) -> None:
        self.minutes: Final = int(hours * 60)
        self._bouts: deque[Span] = deque(maxlen=self.minutes * _MOST_BOUTS_PER_MINUTE)
        self._open_bout: Span | None = None
        self._minute = np.full(self.minutes, -1, np.int64)  # the minute that a cell holds, or -1
        self._oil_c = np.full(self.minutes, np.nan)
        self.last_oil = NEVER, math.nan
        """Time and value of the last sample of the oil, degC."""

    def add_rows(self, rows: Rows) -> None:
        """Add rows in order of time; rows older than the hours held are ignored."""
        if not len(rows):
            return
        oil = rows.columns.get("oil_c")
        if oil is not None and len(known := np.flatnonzero(~np.isnan(oil))):
            self.last_oil = max(self.last_oil, (int(rows.time_ns[known[-1]]), float(oil[known[-1]])))
        minute = rows.time_ns // MINUTE
        begins = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
        peaks = np.fmax.reduceat(oil, begins) if oil is not None else np.full(len(begins), np.nan)
        for at, peak in zip(minute[begins].tolist(), peaks.tolist(), strict=True):
            cell = at % self.minutes
            if self._minute[cell] < at:
                self._minute[cell] = at
                self._oil_c[cell] = peak
            elif self._minute[cell] == at:
                self._oil_c[cell] = np.fmax(self._oil_c[cell], peak)

    def add_bouts(self, ended: Iterable[Span], open_bout: Span | None) -> None:
        """Add bouts that have ended, and replace the open one."""
        self._bouts.extend(ended)
        self._open_bout = open_bout

    def first_heard(self, begin: Instant) -> Instant | None:
        """Return the first minute from `begin` on in which the hammer was heard."""
        heard = self._minute[self._minute * MINUTE >= begin]
        return int(heard.min()) * MINUTE if len(heard) else None

    def covers(self, begin: Instant, now: Instant) -> bool:
        """Return whether everything from `begin` to now fits."""
        return now - begin < (self.minutes - 1) * MINUTE

    def bouts(self, begin: Instant, end: Instant) -> list[Span]:
        """Return the bouts within [begin, end), in order, cut to it."""
        bouts = [*self._bouts, *([self._open_bout] if self._open_bout else [])]
        cut = ((max(start, begin), min(stop, end)) for start, stop in bouts)
        return sorted((start, stop) for start, stop in cut if start < stop)

    def oil(self, begin: Instant, end: Instant) -> tuple[Ints, Floats]:
        """Return (start of the minute [n], peak, degC [n]) of each minute heard in [begin, end), in order.

        The peak is NaN where the oil was not sampled.
        """
        in_window = np.flatnonzero(
            (self._minute >= begin // MINUTE) & (self._minute < -(-end // MINUTE)) & (self._minute >= 0)
        )
        order = in_window[np.argsort(self._minute[in_window])]
        return self._minute[order] * MINUTE, self._oil_c[order]


@dataclass(slots=True)
class LiveHammer:
    """One hammer on the page."""

    settings: HammerSettings
    limits: Limits
    hours: RecentHours
    snapshot: Snapshot
    heard: Instant | None
    """When it was last heard, wall clock, ns; None: not since the start."""
    packed: bytes
    """Its packed state."""

    def due_items(self, now: Instant) -> list[DueItem]:
        """List its maintenance tasks."""
        return due_items(self._record, self.settings, now)

    @property
    def meter_h(self) -> float:
        """What the carrier's hour meter should read, from readings and operation since, h."""
        return float(self._record["upkeep"]["meter"]) / HOUR

    def work_under_way(self) -> WorkUnderWay | None:
        """Return the stretch of work that has not ended yet."""
        return work_under_way(self._record)

    def not_monitored(self) -> dict[str, list[str]]:
        """Return the faults that cannot be found, by reason."""
        return _by_reason(coverage.unmonitored_faults(self.settings, coverage.channels_of(self._record)))

    def uncertain(self) -> dict[str, list[str]]:
        """Return the faults that can only be inferred, by reason."""
        return _by_reason(coverage.inferred_faults(self.settings, coverage.channels_of(self._record)))

    @property
    def _record(self) -> Any:
        return unpack([self.packed])[0]


def is_reporting(hammer: LiveHammer, now: Instant) -> bool:
    """Return whether a hammer reports at a wall time."""
    return hammer.heard is not None and now - hammer.heard <= REPORTING


def _by_reason(reasons: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    by_reason: dict[str, list[str]] = {}
    for fault, reason in reasons:
        by_reason.setdefault(reason, []).append(fault)
    return by_reason


def _condensed(portion: Portion) -> Portion:
    """Return a portion for the page; many rows become one a minute.

    Each has the highest oil temperature of its minute; one more has the last that is known.
    """
    rows = portion.rows
    if len(rows) <= CONDENSED_ROWS:
        return portion
    minute = rows.time_ns // MINUTE
    begins = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
    times, columns = rows.time_ns[begins], {}
    oil = rows.columns.get("oil_c")
    if oil is not None and len(known := np.flatnonzero(~np.isnan(oil))):
        times = np.append(times, rows.time_ns[known[-1]])
        columns = {"oil_c": np.append(np.fmax.reduceat(oil, begins), oil[known[-1]])}
    return Portion(portion.key, Rows(times, columns), portion.watermark)


class LiveState:
    """The hammers on the page, with timelines of `hours`. `settings_of` is called once for each hammer."""

    def __init__(self, settings_of: Callable[[Key], HammerSettings], hours: float) -> None:
        self._settings_of = settings_of
        self._hours = hours
        self._pending: deque[tuple[Instant, Sequence[Portion], StepResult]] = deque(maxlen=MOST_PENDING_STEPS)
        self.hammers: Final[dict[Key, LiveHammer]] = {}

    def enqueue_step(self, received: Instant, portions: Sequence[Portion], result: StepResult) -> None:
        """Queue a step for the page. Called by the worker's thread."""
        self._pending.append((received, [_condensed(portion) for portion in portions], result))

    def restore(self, states: Iterable[tuple[Key, bytes]]) -> None:
        """Start with the hammers' packed states as saved when the processor last stopped."""
        for key, packed in states:
            self._update(key, packed, unpack([packed])[0], NO_ROWS)

    def apply_steps(self) -> list[Key]:
        """Apply the queued steps; return the hammers that changed."""
        changed: dict[Key, None] = {}
        while self._pending:
            received, portions, result = self._pending.popleft()
            bouts: dict[Key, list[Span]] = {
                key: list(zip(starts.tolist(), ends.tolist(), strict=True))
                for key, starts, ends, _ in result.bout_columns()
            }
            for portion, packed, record in zip(portions, result.packed, result.state, strict=True):
                hammer = self._update(portion.key, packed, record, portion.rows)
                if len(portion.rows):
                    hammer.heard = received
                hammer.hours.add_bouts(bouts.get(portion.key, ()), _open_bout(record["reading"]))
                changed[portion.key] = None
        return list(changed)

    def meter(self, key: Key) -> tuple[float, Instant] | None:
        """Return what a hammer's hour meter should read, h, and at which instant; None if unknown."""
        hammer = self.hammers.get(key)
        return None if hammer is None else (hammer.meter_h, hammer.snapshot.data_until)

    def limited_to(self, sites: Sites) -> "LiveState":
        """Return a copy for one request that has the hammers of some sites only."""
        if sites is None:
            return self
        limited = LiveState(self._settings_of, self._hours)
        limited.hammers.update({key: hammer for key, hammer in self.hammers.items() if key[0] in sites})
        return limited

    def window(self, now: Instant) -> Span:
        """Return the time that all timelines show: up to now, from the hour in which any hammer was first heard."""
        end = -(-now // MINUTE) * MINUTE
        earliest = end - round(self._hours * HOUR)
        heard = (hammer.hours.first_heard(earliest) for hammer in self.hammers.values())
        first = min((at for at in heard if at is not None), default=end)
        return max(earliest, min(first - first % HOUR, end - HOUR)), end

    def fill(self, read_recorded_hours: Callable[[Key], tuple[Iterable[Span], Rows]]) -> None:
        """Fill the last hours of known hammers with what is on record: bouts and rows."""
        for key, hammer in self.hammers.items():
            bouts, rows = read_recorded_hours(key)
            hammer.hours.add_rows(rows)
            hammer.hours.add_bouts(bouts, None)

    def _update(self, key: Key, packed: bytes, record: Any, rows: Rows) -> LiveHammer:
        hammer = self.hammers.get(key)
        if hammer is None:
            settings, hours = self._settings_of(key), RecentHours(self._hours)
            limits = Limits.of(settings)
            hours.add_rows(rows)
            snapshot = take_snapshot(record, limits, hours.last_oil)
            hammer = LiveHammer(settings, limits, hours, snapshot, None, packed)
            self.hammers[key] = hammer
            return hammer
        hammer.hours.add_rows(rows)
        hammer.snapshot = take_snapshot(record, hammer.limits, hammer.hours.last_oil)
        hammer.packed = packed
        return hammer


def _open_bout(firing: Any) -> Span | None:
    began = int(firing["began"])
    return None if began == NEVER else (began, min(int(firing["until"]), int(firing["upto"])))
