"""Reordering: from rows in order of arrival to rows in event time, each instant once.

A row is late if a newer one has been released already, and a duplicate if its instant is known with the same channels.
Both are counted, and neither is used. Rows of one instant with different channels are one reading: they are merged
while they wait, and the first value of a channel counts. Rows may wait for out-of-order rows, by one of three policies:

- `in_order`: rows are known to be in order (our own recordings). Nothing waits.
- `window`: a row waits until one newer by at least the allowed lateness has arrived. For tables of unknown order.
- `gap`: a row waits only after a gap, a step larger than the feed's usual one, where an out-of-order row may still
  belong. It is released when the gap is filled, after newer rows or silence of the allowed lateness, or when too many
  rows wait. Live, this adds no delay while a feed is in order. If a feed sends the channels of an instant in several
  rows, a row also waits until it has every channel of the feed. The usual step of a new feed is that of its first three
  rows, if they are evenly apart; until then its rows wait.

Under `in_order` and `gap`, a channel may arrive after its instant was released. It is released 1 ns after that instant
if nothing newer has been released, and is late otherwise.

A row far ahead of the rows before it may come from a wrong clock, and would make all rows after it late. Such suspect
rows wait until enough rows after them, or silence, confirm them. A row that continues from the old time
refutes them.
"""

from bisect import bisect_right, insort
from collections.abc import Iterable, Iterator
from dataclasses import replace
from operator import attrgetter
from typing import Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.state import split
from strikewatch.sources.hammer_buffer import (
    CLOCK_JUMP_NS,
    GAP_FACTOR,
    NEVER,
    Counts,
    HammerBuffer,
    Policy,
)

__all__ = ["CLOCK_JUMP_NS", "NEVER", "Counts", "Policy", "Reorderer"]


_ONE_BY_ONE: Final = 32
"""So many rows in order are inserted one by one, before it is seen whether the rest needs that."""
_effective: Final = attrgetter("effective")
_STATE: Final = np.dtype([(name, "<i8") for name in ("last", "origin", "step", "split", "channels")])
LAYOUT: Final = f"arrival/1:{_STATE.itemsize}"
"""Name, version and size of what is saved of how a hammer's feed arrives, as in `engine.state.LAYOUT`."""


class Reorderer:
    """The buffers of all hammers. `allowed_lateness_ns`: how long a row waits for out-of-order rows at most."""

    def __init__(self, policy: Policy, allowed_lateness_ns: int = 2 * SECOND) -> None:
        self.policy = policy
        self._allowed_lateness_ns = allowed_lateness_ns
        self._buffers: dict[Key, HammerBuffer] = {}
        self._waiting: dict[
            Key, None
        ] = {}  # hammers with rows that wait, so that a step need not look at all
        self._duplicates: dict[Key, int] = {}  # since they were last taken

    @property
    def keys(self) -> tuple[Key, ...]:
        """All hammers seen."""
        return tuple(self._buffers)

    def counts(self) -> dict[Key, Counts]:
        """Return what became of each hammer's rows."""
        return {key: buffer.counts for key, buffer in self._buffers.items()}

    def newest(self, key: Key) -> Instant:
        """Return the time of a hammer's newest released row, NEVER if there is none."""
        buffer = self._buffers.get(key)
        return NEVER if buffer is None else buffer.newest

    @property
    def waiting_hammers(self) -> list[Key]:
        """The hammers with rows that wait."""
        return list(self._waiting)

    def waiting(self, key: Key) -> Rows:
        """Return the rows that have arrived but are not released: part of the state to save."""
        buffer = self._buffers[key]
        if not len(buffer.suspect):  # the usual case, in which joining would take most of the time
            return buffer.waiting
        return Rows.join([buffer.waiting, buffer.suspect])

    def take_duplicates(self) -> dict[Key, int]:
        """Return the number of duplicates by hammer since the last call; their rows are not kept."""
        found, self._duplicates = self._duplicates, {}
        return found

    def restore(self, key: Key, newest: Instant, waiting: Rows, events: Iterable[Event]) -> None:
        """Restore the saved state of a hammer."""
        buffer = self._buffer(key)
        buffer.newest = buffer.newest_instant = newest
        before = waiting.time_ns[:1] if newest == NEVER else newest
        jumps = np.flatnonzero(np.diff(waiting.time_ns, prepend=before) > CLOCK_JUMP_NS)
        plausible = int(jumps[0]) if len(jumps) else len(waiting)
        buffer.waiting, buffer.suspect = waiting[:plausible], waiting[plausible:]
        self._note_waiting(key, buffer)
        for event in events:
            self.add_event(event)

    def saved(self, key: Key) -> bytes:
        """Return what was learned of how a hammer's feed arrives, as bytes of `LAYOUT`, without the rows that wait."""
        buffer = self._buffer(key)
        learned = (
            buffer.newest,
            buffer.newest_instant,
            buffer.usual_step,
            buffer.split_countdown,
            buffer.feed_channels,
        )
        return np.array(learned, _STATE).tobytes()

    def resume(self, key: Key, layout: str, state: bytes) -> None:
        """Restore what `saved` returned, if it is part of a saved state; call it after `restore`."""
        part = dict(split(layout, state)).get(LAYOUT)
        if part is None:
            return
        buffer = self._buffer(key)
        newest, newest_instant, *learned = np.frombuffer(part, _STATE)[0].tolist()
        buffer.newest_instant = newest_instant if newest == buffer.newest else buffer.newest
        buffer.usual_step, buffer.split_countdown, buffer.feed_channels = learned

    def released(self, key: Key) -> bytes:
        """Return a hammer's instants that were released most recently, as bytes."""
        return self._buffer(key).released.saved()

    def resume_released(self, key: Key, saved: bytes) -> None:
        """Continue with what `released` returned, so that duplicates are recognised; call it after `restore`."""
        self._buffer(key).released.restore(saved)

    def take_unused(self, key: Key) -> list[tuple[str, Rows]]:
        """Return the rows not used since the last call, grouped by reason."""
        buffer = self._buffers[key]
        unused, buffer.unused = buffer.unused, []
        return unused

    def add_event(self, event: Event) -> Event:
        """Add an event; return it with the time at which it takes effect (`applied`).

        An event from before the hammer's newest row takes effect right after that row, and a correction not before the
        event that it corrects.
        """
        buffer = self._buffer((event.site, event.hammer))
        if event.applied < 0:
            applied = buffer.newest + 1 if event.time <= buffer.newest else -1
            if (corrected := event.corrects) and corrected[1] > max(event.time, applied):
                applied = corrected[1]
            event = replace(event, applied=applied)
        insort(buffer.events, event, key=_effective)
        return event

    def pending_events(self, key: Key) -> int:
        """Return how many events of a hammer wait for the rows at the time at which they take effect."""
        buffer = self._buffers.get(key)
        return 0 if buffer is None else len(buffer.events)

    def add_rows(self, key: Key, rows: Rows, *, redelivered: bool = False) -> Rows:
        """Add rows in order of arrival; return those that can be released, strictly increasing in time.

        `redelivered`: they may have been delivered before, so old ones count as duplicates.
        """
        buffer = self._buffer(key)
        time_ns = rows.time_ns
        if not len(time_ns):
            return NO_ROWS
        waiting_ns = buffer.waiting.time_ns
        before = int(waiting_ns[-1]) if len(waiting_ns) else buffer.newest
        steps = time_ns[1:] - time_ns[:-1]
        in_order = (
            time_ns[0] > before and not len(buffer.suspect.time_ns) and (not len(steps) or steps.min() > 0)
        )
        largest_step = 1 if before == NEVER else int(time_ns[0]) - before
        if len(steps):
            largest_step = max(largest_step, int(steps.max()))
        if in_order and self._need_not_wait(buffer, largest_step):
            return buffer.release(rows)
        duplicates = buffer.counts.duplicate
        if self.policy == "window" and (
            (in_order and largest_step <= CLOCK_JUMP_NS)
            or buffer.continues_in_order(rows, self._allowed_lateness_ns)
        ):
            released = buffer.append_in_order(rows, self._allowed_lateness_ns)
        elif in_order and self.policy == "gap":
            released = self._insert_in_order(buffer, rows, redelivered)
        else:
            released = buffer.insert(rows, self.policy, self._allowed_lateness_ns, redelivered)
        if found := buffer.counts.duplicate - duplicates:
            self._duplicates[key] = self._duplicates.get(key, 0) + found
        self._note_waiting(key, buffer)
        return released

    def _insert_in_order(self, buffer: HammerBuffer, rows: Rows, redelivered: bool) -> Rows:
        """Insert rows in order, such as the first of a hammer or those after a gap; return those that can be released.

        They are inserted one by one only until none waits any longer and the rest has no gap.
        """
        released: list[Rows] = []
        first, count = 0, _ONE_BY_ONE
        while first < len(rows):
            released.append(
                buffer.insert(rows[first : first + count], "gap", self._allowed_lateness_ns, redelivered)
            )
            first, count = first + count, 2 * count
            rest = rows.time_ns[first:]
            if len(rest) and not len(buffer.waiting) and not len(buffer.suspect):
                largest_step = int(np.diff(rest, prepend=buffer.newest).max())
                if self._need_not_wait(buffer, largest_step):
                    released.append(buffer.release(rows[first:]))
                    break
        return Rows.join([part for part in released if len(part)] or [NO_ROWS])

    def _need_not_wait(self, buffer: HammerBuffer, largest_step: int) -> bool:
        """Tell whether rows in order are released at once; `largest_step`: before one of them, ns."""
        if self.policy == "gap" and not (buffer.split_countdown or len(buffer.waiting.time_ns)):
            return largest_step <= int(GAP_FACTOR * buffer.usual_step)
        return self.policy == "in_order"

    def add_sorted_rows(self, key: Key, rows: Rows, largest_step: int) -> Iterator[Rows]:
        """Add rows strictly increasing in time, with steps of at most this size, ns; yield those that can be released.

        Like `add_rows`, but rows that waited are yielded apart, so that the others need not be copied.
        """
        buffer = self._buffer(key)
        before = int(buffer.waiting.time_ns[-1]) if len(buffer.waiting) else buffer.newest
        first = int(rows.time_ns[0])
        largest_step = max(largest_step, 1 if before == NEVER else first - before)
        if first <= before or len(buffer.suspect):
            yield self.add_rows(key, rows)
        elif self.policy == "in_order":
            yield buffer.release(rows)
        elif self.policy == "window" and largest_step <= CLOCK_JUMP_NS:
            yield from buffer.append_sorted(rows, self._allowed_lateness_ns)
        else:
            yield self.add_rows(key, rows)

    def add_recorded(self, key: Key, rows: Rows) -> Rows:
        """Add rows of our own recordings, newer than all released ones; return them.

        Rows that wait are dropped: the recordings have them too, if they were released.
        """
        buffer = self._buffer(key)
        buffer.waiting = buffer.suspect = NO_ROWS
        return buffer.release(rows)

    def flush(self, key: Key) -> Rows:
        """Release all rows that wait, because no more are expected soon."""
        buffer = self._buffer(key)
        rows = Rows.join([buffer.waiting, buffer.suspect])
        buffer.waiting = buffer.suspect = NO_ROWS
        self._note_waiting(key, buffer)
        return buffer.release(rows)

    def portion(
        self, key: Key, rows: Rows, watermark: Instant | None = None, *, closing: bool = False
    ) -> Portion:
        """Return a portion of released rows up to `watermark` (default: the newest row), with the events due by then.

        `closing`: with all events, due or not.
        """
        buffer = self._buffer(key)
        if watermark is None:
            watermark = buffer.newest
        due = len(buffer.events) if closing else bisect_right(buffer.events, watermark, key=_effective)
        events = tuple(buffer.events[:due])
        del buffer.events[:due]
        return Portion(key, rows, watermark, events)

    def look_ahead(self, key: Key, watermark: Instant) -> Portion:
        """Return a portion without rows, up to `watermark`, with the events due by then; nothing is taken out."""
        buffer = self._buffer(key)
        due = bisect_right(buffer.events, watermark, key=_effective)
        return Portion(key, NO_ROWS, watermark, tuple(buffer.events[:due]))

    def _note_waiting(self, key: Key, buffer: HammerBuffer) -> None:
        if len(buffer.waiting) or len(buffer.suspect):
            self._waiting[key] = None
        else:
            self._waiting.pop(key, None)

    def _buffer(self, key: Key) -> HammerBuffer:
        buffer = self._buffers.get(key)
        if buffer is None:
            buffer = self._buffers[key] = HammerBuffer()
        return buffer
