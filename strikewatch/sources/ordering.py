"""Admit: from rows as they arrive, rows in event time, each instant once.

A row is late if a newer one has already been passed on, and a duplicate if its instant is there already with the same
channels; both are counted, neither is used. Rows of one instant with different channels are one reading: they are
merged while they wait, and the first value of a channel counts. To give stragglers a chance, rows may wait, by one of
three policies:

- `none`: rows are known to be in order (our own recordings). Nothing waits.
- `window`: a row waits until one at least `reorder_s` newer has come. For tables of unknown order.
- `hole`: a row waits only behind a hole, a step larger than the feed's usual one, where a straggler may still belong;
  until the hole fills, or `reorder_s` of newer rows or of silence have passed. Live, this costs no delay while a feed
  is in order. Of a feed that sends the channels of an instant in several rows, a row also waits until it has every
  channel of the feed.

Where the policy is not `window`, a channel may come after its instant was passed on. It is passed on 1 ns after that
instant if nothing newer has been passed on, and is late otherwise.

A row far ahead of its predecessors may come from a wrong clock, and would make all that follow late. It is set aside
until enough rows after it, or silence, bear it out; a row that goes on from the old time refutes it.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.hammer_buffer import FAR_NS, HOLE, NEVER, Counts, Gate, Policy

__all__ = ["FAR_NS", "NEVER", "Admit", "Counts", "Policy"]


_STATE: Final = np.dtype([(name, "<i8") for name in ("last", "origin", "step", "split", "channels")])
LAYOUT: Final = f"arrival/1:{_STATE.itemsize}"
"""Name, version and size of what is saved of how a hammer's feed arrives, as in `engine.state.LAYOUT`."""


class Admit:
    """The doors of all hammers. `reorder_ns`: how long a row waits for stragglers at most."""

    def __init__(self, policy: Policy, reorder_ns: int = 2 * SECOND) -> None:
        self.policy = policy
        self._reorder_ns = reorder_ns
        self._gates: dict[Key, Gate] = {}
        self._duplicates_told = 0

    @property
    def keys(self) -> tuple[Key, ...]:
        return tuple(self._gates)

    def counts(self) -> dict[Key, Counts]:
        return {key: gate.counts for key, gate in self._gates.items()}

    def duplicates(self, key: Key) -> int:
        """How many rows of a hammer had arrived before."""
        gate = self._gates.get(key)
        return 0 if gate is None else gate.counts.duplicate

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
        gate.last = gate.origin = last
        before = waiting.time_ns[:1] if last == NEVER else last
        jumps = np.flatnonzero(np.diff(waiting.time_ns, prepend=before) > FAR_NS)
        near = int(jumps[0]) if len(jumps) else len(waiting)
        gate.waiting, gate.far = waiting[:near], waiting[near:]
        for event in events:
            self.event(event)

    def saved(self, key: Key) -> bytes:
        """What was learned of how a hammer's feed arrives, as bytes of `LAYOUT`; rows that wait are saved apart."""
        gate = self._gate(key)
        return np.array((gate.last, gate.origin, gate.step, gate.split, gate.channels), _STATE).tobytes()

    def resume(self, key: Key, layout: str, state: bytes) -> None:
        """Take up what `saved` gave, if it is part of a saved state; call it after `restore`."""
        offset = 0
        for part in layout.split():
            if part == LAYOUT:
                gate = self._gate(key)
                learned = np.frombuffer(state, _STATE, 1, offset)[0].tolist()
                last, origin, gate.step, gate.split, gate.channels = learned
                gate.origin = origin if last == gate.last else gate.last
            offset += int(part.rpartition(":")[2])

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
                return gate.pass_on(rows)
            first = 1 if before == NEVER else int(time_ns[0]) - before
            largest = int(np.diff(time_ns).max(initial=first))
            if self.policy == "hole" and not (gate.split or len(gate.waiting)):
                if largest <= int(HOLE * gate.step):
                    return gate.pass_on(rows)
            elif self.policy == "window" and largest <= FAR_NS:
                return gate.through_window(rows, self._reorder_ns)
        elif self.policy == "window" and gate.goes_on(rows, self._reorder_ns):
            return gate.through_window(rows, self._reorder_ns)
        return gate.one_by_one(rows, self.policy, self._reorder_ns, again)

    def flush(self, key: Key) -> Rows:
        """Nothing more is expected soon: let all that waits pass."""
        gate = self._gate(key)
        rows = Rows.join([gate.waiting, gate.far])
        gate.waiting = gate.far = NO_ROWS
        return gate.pass_on(rows)

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

    def _gate(self, key: Key) -> Gate:
        gate = self._gates.get(key)
        if gate is None:
            gate = self._gates[key] = Gate()
        return gate
