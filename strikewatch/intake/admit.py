"""Admit: from rows as they arrive, rows in event time, each instant once.

A row is late if a newer one has already been passed on, and a duplicate if its instant has; both are counted, neither
is used. To give stragglers a chance, rows may wait, by one of three policies:

- `none`: rows are known to be in order (our own recordings). Nothing waits.
- `window`: a row waits until one at least `reorder_s` newer has come. For tables of unknown order.
- `hole`: a row waits only behind a hole, a step larger than the feed's usual one, where a straggler may still belong;
  until the hole fills, or `reorder_s` of newer rows or of silence have passed. Live, this costs no delay while a feed
  is in order.

A row far ahead of its predecessors may come from a wrong clock, and would make all that follow late. It is set aside
until enough rows after it, or silence, bear it out; a row that goes on from the old time refutes it.
"""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from strikewatch.model.batch import NO_ROWS, Ints, Key, Portion, Rows
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant

Policy = Literal["none", "window", "hole"]

NEVER: Final = -(1 << 62)
HOLE: Final = 1.5
"""A step this much larger than usual is a hole."""
FAR_NS: Final = 600 * SECOND
"""A row this far ahead of its predecessors needs others to bear it out."""
BURST_NS: Final = 60 * SECOND
"""In a table a wrong clock may last this long and still be told; live, the receiver's clock tells it."""
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
    remembered: int = 0  # how many those are
    counts: Counts = field(default_factory=Counts)
    unused: list[tuple[str, Rows]] = field(default_factory=list)


class Admit:
    """The doors of all hammers. `reorder_ns`: how long a row waits for stragglers at most."""

    def __init__(self, policy: Policy, reorder_ns: int = 2 * SECOND) -> None:
        self.policy = policy
        self._reorder_ns = reorder_ns
        self._gates: dict[Key, _Gate] = {}
        self._duplicates_told = 0

    @property
    def keys(self) -> tuple[Key, ...]:
        return tuple(self._gates)

    def counts(self) -> dict[Key, Counts]:
        return {key: gate.counts for key, gate in self._gates.items()}

    def last(self, key: Key) -> Instant:
        """The newest row passed on, NEVER if none."""
        gate = self._gates.get(key)
        return NEVER if gate is None else gate.last

    @property
    def holding(self) -> list[Key]:
        """The hammers of which rows wait."""
        return [key for key, gate in self._gates.items() if len(gate.waiting) or len(gate.far)]

    def waiting(self, key: Key) -> Rows:
        """What has arrived but not been passed on: part of the state to save."""
        gate = self._gates[key]
        return Rows.join([gate.waiting, gate.far])

    def take_tally(self) -> dict[str, int]:
        """Duplicates since the last call; they are counted, not kept."""
        found = sum(gate.counts.duplicate for gate in self._gates.values())
        told, self._duplicates_told = self._duplicates_told, found
        return {"duplicate": found - told} if found > told else {}

    def restore(self, key: Key, last: Instant, waiting: Rows, events: Iterable[Event]) -> None:
        """Take up a saved state."""
        gate = self._gate(key)
        gate.last = last
        jumps = np.flatnonzero(np.diff(waiting.time_ns, prepend=last) > FAR_NS)
        near = int(jumps[0]) if len(jumps) else len(waiting)
        gate.waiting, gate.far = waiting[:near], waiting[near:]
        for event in events:
            self.event(event)

    def take_unused(self, key: Key) -> list[tuple[str, Rows]]:
        """Rows not used since the last call, each lot with its reason."""
        gate = self._gates[key]
        unused, gate.unused = gate.unused, []
        return unused

    def event(self, event: Event) -> Event:
        """Take an event. One from before the hammer's newest row takes effect right after that row (`applied`); a
        correction not before what it corrects."""
        gate = self._gate((event.site, event.hammer))
        if event.applied < 0:
            applied = gate.last + 1 if event.time <= gate.last else -1
            if (wrong := event.corrects) and wrong[1] > max(event.time, applied):
                applied = wrong[1]
            event = replace(event, applied=applied)
        gate.events.append(event)
        gate.events.sort(key=lambda waiting: waiting.effective)
        return event

    def rows(self, key: Key, rows: Rows, *, again: bool = False) -> Rows:
        """Take rows in the order of their arrival; return those that may pass now, strictly increasing in time.

        `again`: they may have been delivered before, so that old ones count as duplicates.
        """
        gate = self._gate(key)
        time_ns = rows.time_ns
        if not len(time_ns):
            return NO_ROWS
        before = int(gate.waiting.time_ns[-1]) if len(gate.waiting) else gate.last
        if time_ns[0] > before and not len(gate.far) and np.all(time_ns[1:] > time_ns[:-1]):
            if self.policy == "none":
                return self._pass(gate, rows)
            first = 1 if before == NEVER else int(time_ns[0]) - before
            largest = int(np.diff(time_ns).max(initial=first))
            if self.policy == "hole" and not len(gate.waiting) and largest <= int(HOLE * gate.step):
                return self._pass(gate, rows)
            if self.policy == "window" and largest <= FAR_NS:
                waiting = Rows.join([gate.waiting, rows]) if len(gate.waiting) else rows
                free = int(np.searchsorted(waiting.time_ns, time_ns[-1] - self._reorder_ns, side="right"))
                gate.waiting = waiting[free:]
                return self._pass(gate, waiting[:free])
        return self._one_by_one(gate, rows, again)

    def flush(self, key: Key) -> Rows:
        """Nothing more is expected soon: let all that waits pass."""
        gate = self._gate(key)
        rows = Rows.join([gate.waiting, gate.far])
        gate.waiting = gate.far = NO_ROWS
        return self._pass(gate, rows)

    def portion(self, key: Key, rows: Rows, upto: Instant | None = None, *, closing: bool = False) -> Portion:
        """A portion of rows that passed, up to `upto` (default: the newest row), with the events that fall due, or
        when `closing` with all of them."""
        gate = self._gate(key)
        if upto is None:
            upto = gate.last
        due = len(gate.events) if closing else sum(event.effective <= upto for event in gate.events)
        events, gate.events = tuple(gate.events[:due]), gate.events[due:]
        return Portion(key, rows, upto, events)

    def ahead(self, key: Key, upto: Instant) -> Portion:
        """A look ahead through a silence: no rows, the events waiting, and nothing taken out of the queue."""
        gate = self._gate(key)
        return Portion(key, NO_ROWS, upto, tuple(e for e in gate.events if e.effective <= upto))

    def _gate(self, key: Key) -> _Gate:
        gate = self._gates.get(key)
        if gate is None:
            gate = self._gates[key] = _Gate()
        return gate

    def _pass(self, gate: _Gate, rows: Rows) -> Rows:
        if not len(rows):
            return NO_ROWS
        newest = int(rows.time_ns[-1])
        before = gate.last if len(rows) == 1 else int(rows.time_ns[-2])
        if before != NEVER:
            gate.step = _usual(gate.step, newest - before)
        gate.last = newest
        gate.counts.used += len(rows)
        gate.recent.append(rows.time_ns[-REMEMBERED:])
        gate.remembered += len(gate.recent[-1])
        if len(gate.recent) > 64 or gate.remembered > 4 * REMEMBERED:
            gate.recent = [np.concatenate(gate.recent)[-REMEMBERED:]]
            gate.remembered = len(gate.recent[0])
        return rows

    def _one_by_one(self, gate: _Gate, rows: Rows, again: bool) -> Rows:
        """Where rows are not plainly in order, each in its turn; return those that may pass, in order."""
        held, far_held = len(gate.waiting), len(gate.far)
        rows = Rows.join([gate.waiting, gate.far, rows])
        times: list[int] = rows.time_ns.tolist()
        waiting = [(times[i], i) for i in range(held)]
        far = [(times[i], i) for i in range(held, held + far_held)]
        passed: list[int] = []
        sorted_out: dict[str, list[int]] = {"duplicate": [], "late": [], "wrong_clock": []}
        seen = {int(at) for part in gate.recent for at in part}
        bear_out = self._reorder_ns if self.policy == "hole" else BURST_NS
        last, step = gate.last, gate.step
        for i in range(held + far_held, len(times)):
            at = times[i]
            place = bisect_left(waiting, (at, -1))
            front = waiting[-1][0] if waiting else last
            if at in seen or (place < len(waiting) and waiting[place][0] == at):
                sorted_out["duplicate"].append(i)
            elif at <= last:
                sorted_out["duplicate" if again else "late"].append(i)
            elif front != NEVER and at > front + FAR_NS:
                place = bisect_left(far, (at, -1))
                if place < len(far) and far[place][0] == at:
                    sorted_out["duplicate"].append(i)
                    continue
                far.insert(place, (at, i))
                if far[-1][0] - far[0][0] >= bear_out:
                    waiting += far
                    far = []
            else:
                sorted_out["wrong_clock"] += [k for _, k in far]
                far = []
                waiting.insert(place, (at, i))
            while waiting:
                at, k = waiting[0]
                hole = self.policy == "window" or (last != NEVER and at - last > int(HOLE * step))
                if hole and at > waiting[-1][0] - self._reorder_ns:
                    break
                del waiting[0]
                passed.append(k)
                seen.add(at)
                if last != NEVER:
                    step = _usual(step, at - last)
                last = at
        gate.waiting = rows[np.array([k for _, k in waiting], np.intp)]
        gate.far = rows[np.array([k for _, k in far], np.intp)]
        for reason, found in sorted_out.items():
            setattr(gate.counts, reason, getattr(gate.counts, reason) + len(found))
            if found and reason != "duplicate":
                gate.unused.append((reason, rows[np.array(found, np.intp)]))
        return self._pass(gate, rows[np.array(passed, np.intp)])


def _usual(step: int, new: int) -> int:
    """The feed's usual step after a new one: shorter at once, longer by and by, so that a long pause changes little."""
    return new if new < step or not step else step + (min(new, 2 * step) - step) // 16
