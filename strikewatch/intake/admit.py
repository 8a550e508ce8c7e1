"""Admit: from rows as they arrive, rows in event time, each instant once.

A row is late if a newer one has already been passed on, and a duplicate if its instant has; both are counted, neither
is used. To give stragglers a chance, rows may wait, by one of three policies:

- `none`: rows are known to be in order (our own recordings). Nothing waits.
- `window`: a row waits until one at least `reorder_s` newer has come. For tables of unknown order.
- `hole`: a row waits only behind a hole, a step larger than the feed's usual one, where a straggler may still belong;
  until the hole fills, or `reorder_s` of newer rows or of silence have passed. Live, this costs no delay while a feed
  is in order.

A row far ahead of its predecessors may come from a wrong clock, and would make all that follow late. It is set aside
until as much as `reorder_s` of rows, or silence, bears it out; a row that goes on from the old time refutes it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from strikewatch.model.batch import NO_ROWS, Batch, Ints, Key, Portion, Rows
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant

Policy = Literal["none", "window", "hole"]

NEVER: Final = -(1 << 62)
HOLE: Final = 1.5
"""A step this much larger than usual is a hole."""
FAR_NS: Final = 3600 * SECOND
"""A row this far ahead of its predecessors needs others to bear it out."""
REMEMBERED: Final = 1024
"""Instants remembered to tell a duplicate from a late row; older ones count as late."""


@dataclass(slots=True)
class Counts:
    """What became of a hammer's rows."""

    used: int = 0
    duplicate: int = 0
    late: int = 0
    wrong_clock: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(
            self.used + other.used,
            self.duplicate + other.duplicate,
            self.late + other.late,
            self.wrong_clock + other.wrong_clock,
        )


@dataclass(slots=True)
class _Gate:
    """One hammer's door."""

    last: Instant = NEVER  # newest row passed on
    step: int = 0  # the feed's usual step, ns; 0 while unknown
    waiting: Rows = NO_ROWS
    far: Rows = NO_ROWS
    events: list[Event] = field(default_factory=list)
    recent: list[Ints] = field(default_factory=list)  # instants passed on lately, for telling duplicates
    counts: Counts = field(default_factory=Counts)
    unused: list[tuple[str, Rows]] = field(default_factory=list)


class Admit:
    """The doors of all hammers. `reorder_ns`: how long a row waits for stragglers at most."""

    def __init__(self, policy: Policy, reorder_ns: int = 2 * SECOND) -> None:
        self.policy = policy
        self._reorder_ns = reorder_ns
        self._gates: dict[Key, _Gate] = {}

    @property
    def keys(self) -> tuple[Key, ...]:
        return tuple(self._gates)

    def counts(self) -> dict[Key, Counts]:
        return {key: gate.counts for key, gate in self._gates.items()}

    def last(self, key: Key) -> Instant:
        """The newest row passed on, NEVER if none."""
        gate = self._gates.get(key)
        return NEVER if gate is None else gate.last

    def waiting(self, key: Key) -> tuple[Rows, tuple[Event, ...]]:
        """What has arrived but not been passed on: part of the state to save."""
        gate = self._gates[key]
        return Rows.join([gate.waiting, gate.far]), tuple(gate.events)

    def restore(self, key: Key, last: Instant, waiting: Rows, events: Iterable[Event]) -> None:
        """Take up a saved state."""
        gate = self._gate(key)
        gate.last = last
        gate.waiting = waiting
        gate.events = sorted(events, key=lambda event: event.effective)

    def take_unused(self, key: Key) -> list[tuple[str, Rows]]:
        """Rows not used since the last call, each lot with its reason."""
        gate = self._gates[key]
        unused, gate.unused = gate.unused, []
        return unused

    def event(self, event: Event) -> Event:
        """Take an event. One from before the hammer's newest row takes effect right after that row (`applied`)."""
        gate = self._gate((event.site, event.hammer))
        if event.time <= gate.last and event.applied < 0:
            event = Event(event.site, event.hammer, event.kind, event.time, event.fields, gate.last + 1)
        gate.events.append(event)
        gate.events.sort(key=lambda waiting: waiting.effective)
        return event

    def rows(self, key: Key, rows: Rows) -> Rows:
        """Take rows in the order of their arrival; return those that may pass now, strictly increasing in time."""
        gate = self._gate(key)
        time_ns = rows.time_ns
        if not len(time_ns):
            return NO_ROWS
        if not len(gate.far):
            waits = len(gate.waiting) > 0
            steps = np.diff(time_ns, prepend=gate.waiting.time_ns[-1] if waits else gate.last)
            largest = int(steps.max())
            if steps.min() > 0 and (largest <= FAR_NS or gate.last == NEVER or self.policy == "none"):
                if self.policy == "window":
                    gate.waiting = Rows.join([gate.waiting, rows]) if waits else rows
                    return self._release(gate)
                if not waits and (self.policy == "none" or largest <= self._allowed(gate)):
                    return self._pass(gate, rows)
        self._sort_in(gate, rows)
        return self._release(gate)

    def flush(self, key: Key) -> Rows:
        """Nothing more is expected soon: let all that waits pass."""
        gate = self._gate(key)
        rows = Rows.join([gate.waiting, gate.far])
        gate.waiting = gate.far = NO_ROWS
        return self._pass(gate, rows) if len(rows) else NO_ROWS

    def portion(self, key: Key, rows: Rows, upto: Instant | None = None, *, closing: bool = False) -> Portion:
        """A portion of rows that passed, up to `upto` (default: the newest row), with the events that fall due, or
        when `closing` with all of them."""
        gate = self._gate(key)
        if upto is None:
            upto = gate.last
        due = len(gate.events) if closing else sum(event.effective <= upto for event in gate.events)
        events, gate.events = tuple(gate.events[:due]), gate.events[due:]
        return Portion(key, rows, upto, events)

    def ahead(self, key: Key, upto: Instant) -> Batch:
        """A look ahead through a silence: no rows, the events waiting, and nothing taken out of the queue."""
        gate = self._gate(key)
        return Batch([Portion(key, NO_ROWS, upto, tuple(e for e in gate.events if e.effective <= upto))])

    def _gate(self, key: Key) -> _Gate:
        gate = self._gates.get(key)
        if gate is None:
            gate = self._gates[key] = _Gate()
        return gate

    @staticmethod
    def _allowed(gate: _Gate) -> int:
        """The largest step that is no hole. The very first row has no predecessor to wait for."""
        if gate.last == NEVER:
            return -2 * NEVER - 1
        return int(HOLE * gate.step)

    def _pass(self, gate: _Gate, rows: Rows) -> Rows:
        newest = int(rows.time_ns[-1])
        if self.policy == "hole":
            before = gate.last if len(rows) == 1 else int(rows.time_ns[-2])
            if before != NEVER:
                step = newest - before
                gate.step = (
                    step if step < gate.step or not gate.step else gate.step + (step - gate.step) // 16
                )
        gate.last = newest
        gate.counts.used += len(rows)
        gate.recent.append(rows.time_ns[-REMEMBERED:])
        if len(gate.recent) > 64:
            gate.recent = [np.concatenate(gate.recent)[-REMEMBERED:]]
        return rows

    def _sort_in(self, gate: _Gate, rows: Rows) -> None:
        """Sort rows in among those waiting; sort out duplicates, late ones, and those far ahead."""
        rows = Rows.join([gate.far, rows])
        front = int(gate.waiting.time_ns[-1]) if len(gate.waiting) else gate.last
        near: list[int] = []
        far: list[int] = []
        old: list[int] = []
        refuted: list[int] = []
        for i, at in enumerate(rows.time_ns.tolist()):
            if at <= gate.last:
                old.append(i)
            elif front != NEVER and at > front + FAR_NS:
                far.append(i)
                if at - rows.time_ns[far[0]] >= self._reorder_ns:
                    near += far
                    far = []
                    front = at
            else:
                refuted += far
                far = []
                near.append(i)
                front = max(front, at)
        gate.far = rows[np.array(far, np.intp)]
        if refuted:
            gate.counts.wrong_clock += len(refuted)
            gate.unused.append(("wrong_clock", rows[np.array(refuted, np.intp)]))
        if old:
            past = rows[np.array(old, np.intp)]
            again = np.isin(past.time_ns, np.concatenate(gate.recent) if gate.recent else [])
            gate.counts.duplicate += int(again.sum())
            if not again.all():
                gate.counts.late += int((~again).sum())
                gate.unused.append(("late", past[~again]))
        waiting = Rows.join([gate.waiting, rows[np.array(near, np.intp)]])
        # The first to arrive of one instant stays.
        _, first = np.unique(waiting.time_ns, return_index=True)
        gate.counts.duplicate += len(waiting) - len(first)
        gate.waiting = waiting[first]

    def _release(self, gate: _Gate) -> Rows:
        """Pass what need not wait any longer."""
        time_ns = gate.waiting.time_ns
        if not len(time_ns):
            return NO_ROWS
        if self.policy == "none":
            free = len(time_ns)
        else:
            free = int(np.searchsorted(time_ns, time_ns[-1] - self._reorder_ns, side="right"))
        if self.policy == "hole":
            steps = np.diff(time_ns, prepend=gate.last)
            holes = np.flatnonzero(steps[free:] > self._allowed(gate))
            free = free + int(holes[0]) if len(holes) else len(time_ns)
        if not free:
            return NO_ROWS
        passed, gate.waiting = gate.waiting[:free], gate.waiting[free:]
        return self._pass(gate, passed)
