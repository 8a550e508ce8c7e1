"""Turn messages into rows and events of hammers in event time: decode, order, fill in held values."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.errors import Rejected
from strikewatch.service.clock import CorrectedClock
from strikewatch.service.feed_tally import FeedTally
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import Samples, decode, topic
from strikewatch.sources.decode.events import FIELDS
from strikewatch.sources.decode.samples import KEYS
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold, bounds_of
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import LAYOUT as ORDERING_LAYOUT
from strikewatch.sources.ordering import NEVER, Reorderer
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import Reject

LAYOUT: Final = f"{HOLD_LAYOUT} {ORDERING_LAYOUT}"
"""The layout of what `saved` returns; waiting rows follow it."""
IN_TIME_NS: Final = 10 * SECOND
"""Rows that arrive within this time have not waited at the broker."""


class Step:
    """The data of one step: decoded rows and events, what the detectors found, and rejects.

    `received`: wall time. `recorded`: from our own recordings, so not to be recorded. `redelivered`: hammers with
    redelivered messages.
    """

    def __init__(self, received: Instant, *, recorded: bool = False) -> None:
        self.received = received
        self.recorded = recorded
        self.rows: dict[Key, list[Rows]] = {}
        self.redelivered: set[Key] = set()
        self.events: list[Event] = []
        self.portions: list[Portion] = []
        self.changes: list[Change] = []
        self.bouts: list[AttributedBout] = []
        self.stretches: list[AttributedStretch] = []
        self.rejects: list[Reject] = []

    def reject(self, topic: str, payload: bytes, error: Rejected, key: Key | None) -> None:
        """Reject a payload."""
        self.rejects.append(Reject(topic, payload, error.reason, error.detail, key, error.count))

    def reject_rows(self, key: Key, reason: str, rows: Rows) -> None:
        """Reject rows that were not used, with their values."""
        first, last = instant.text(int(rows.time_ns[0])), instant.text(int(rows.time_ns[-1]))
        kept: dict[str, Any] = {"time_ns": rows.time_ns.tolist()}
        for name, column in rows.columns.items():
            kept[name] = [value if isfinite(value) else None for value in column.tolist()]
        detail = f"{len(rows)} rows from {first} to {last}: {explain(reason).meaning}"
        self.rejects.append(
            Reject(f"{key[0]}/{key[1]}", json.dumps(kept).encode(), reason, detail, key, len(rows))
        )


class Intake:
    """The arrivals of all hammers; used by the worker's thread only.

    `wall` and `monotonic` return ns; `is_stored` returns whether an event is in the database; `floor`: see
    `CorrectedClock`.
    """

    def __init__(
        self,
        settings: Settings,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        is_stored: Callable[[Event], bool],
        floor: Instant,
    ) -> None:
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(settings.intake.max_ahead_s)
        self._reorder_ns = instant.seconds(settings.intake.reorder_s)
        self._max_keys = settings.intake.max_keys
        self._max_pending_events = settings.intake.max_pending_events
        self._monotonic = monotonic
        self._is_stored = is_stored
        self._hold = Hold(lambda key: bounds_of(settings.of_hammer(key)))
        self._in_time: dict[Key, int] = {}  # the connection by which a hammer's newest rows came; 0: late
        self.clock = CorrectedClock(wall, monotonic, floor)
        self.reorderer = Reorderer("gap", self._reorder_ns)
        self.last_heard: dict[Key, Instant] = {}
        """When each hammer last sent something new, monotonic."""
        self.tally = FeedTally()

    def restore(
        self, key: Key, watermark: Instant, events: Sequence[Event], saved: tuple[str, bytes] | None
    ) -> None:
        """Restore a hammer; `saved`: layout and bytes of its whole saved state."""
        waiting = NO_ROWS
        if saved is not None:
            layout, state = saved
            size = sum(int(part.rpartition(":")[2]) for part in layout.split())
            if len(state) > size:
                [(_, waiting)], _ = spool.decode(state[size:])
            self._hold.restore(key, layout, state)
            self._hold.expect(key, waiting)
        self.reorderer.restore(key, watermark, waiting, events)
        if saved is not None:
            self.reorderer.resume(key, *saved)
        self.last_heard[key] = self._monotonic()

    def saved(self, key: Key) -> bytes:
        """Return a hammer's state as bytes of `LAYOUT`, followed by its waiting rows."""
        waiting = self.reorderer.waiting(key)
        rows = spool.encode([(key, waiting)]) if len(waiting) else b""
        return self._hold.saved(key) + self.reorderer.saved(key) + rows

    def decode(self, message: Message, step: Step) -> None:
        """Decode a message into the step; reject what cannot be used."""
        received = message.received_ns - self.clock.lead_ns
        try:
            decoded = decode(
                message.topic,
                message.payload,
                received,
                self._prefix,
                self._max_ahead_ns + max(self.clock.lead_ns, 0),
                self._hold,
                self._max_keys,
            )
        except Rejected as error:
            step.reject(message.topic, message.payload, error, _hammer_of_topic(message.topic, self._prefix))
            return
        if isinstance(decoded, Samples):
            key = decoded.key
            step.rows.setdefault(key, []).append(decoded.rows)
            self._hold.expect(key, decoded.rows)
            if len(decoded.rows):
                newest = int(decoded.rows.time_ns[-1])
                self.clock.record_sample(key, newest)
                self._in_time[key] = message.generation if received - newest <= IN_TIME_NS else 0
            if message.redelivered:
                step.redelivered.add(key)
            for rejected in decoded.rejected:
                step.reject(message.topic, message.payload, rejected, key)
        else:
            event = decoded.event
            key = event.site, event.hammer
            if event.kind == "connection" and event.time == received:
                event = self._date_last_will(event, message.generation, step)
            if event in step.events or self._is_stored(event):
                pass
            elif (pending := self.reorderer.pending_events(key)) >= self._max_pending_events:
                refused = Rejected("too_many_events", f"{pending} events of this hammer wait for its samples")
                step.reject(message.topic, message.payload, refused, key)
            else:
                step.events.append(event)
                self.add_event(event)
        if decoded.unknown:
            known = KEYS if isinstance(decoded, Samples) else FIELDS[decoded.event.kind]
            self.tally.unknown(key, decoded.unknown, known)

    def add_event(self, event: Event) -> None:
        """Let an event take effect between the rows."""
        self.reorderer.add_event(event)
        self.last_heard.setdefault((event.site, event.hammer), self._monotonic())

    def _date_last_will(self, event: Event, generation: int, step: Step) -> Event:
        """Date a last will, which has no time: at its arrival if the rows before it came in time.

        Otherwise it may have waited at the broker with rows behind it, and the time of the loss is unknown. Then it
        is dated just after the newest row.
        """
        key = event.site, event.hammer
        if self._in_time.get(key) == generation:
            return event
        waiting = [self.reorderer.waiting(key)] if key in self.reorderer.keys else []
        ends = [int(rows.time_ns.max()) for rows in [*waiting, *step.rows.get(key, ())] if len(rows)]
        newest = max([self.reorderer.newest(key), *ends])
        return event if newest == NEVER else replace(event, time=min(newest + 1, event.time))

    def order_rows(self, step: Step, now: Instant) -> list[Key]:
        """Add the step's rows that are ready to its portions; return the hammers whose state has changed."""
        changed = []
        for key, parts in step.rows.items():
            arrived = Rows.join(parts)
            # Late rows, as from a clock that was set back, do not show that the hammer is sending now.
            if len(arrived) and arrived.time_ns.max() > self.reorderer.newest(key):
                self.last_heard[key] = now
            self.last_heard.setdefault(key, now)
            duplicates = self.reorderer.duplicates(key)
            rows = self.reorderer.add_rows(key, arrived, redelivered=key in step.redelivered)
            if duplicates := self.reorderer.duplicates(key) - duplicates:
                self.tally.duplicates(key, duplicates)
            changed.append(key)
            if len(rows):
                step.portions.append(self._hold.portion(self.reorderer.portion(key, rows)))
            for reason, unused in self.reorderer.take_unused(key):
                step.reject_rows(key, reason, unused)
        for key in self.reorderer.waiting_hammers:
            if now - self.last_heard[key] >= self._reorder_ns:
                rows = self.reorderer.flush(key)
                step.portions.append(self._hold.portion(self.reorderer.portion(key, rows)))
                changed.append(key)
        return changed

    def take_recorded(self, key: Key, rows: Rows, events: Sequence[Event], step: Step) -> None:
        """Add rows and events of our own recordings to a step, apart from those that are known already."""
        self.last_heard.setdefault(key, self._monotonic())
        for event in events:
            if not self._is_stored(event):
                step.events.append(replace(event, applied=-1))
                self.reorderer.add_event(event)
        rows = rows[rows.time_ns > self.reorderer.newest(key)]
        if len(rows):
            # Whether values are still held is not recorded: each is unknown until the next one is sent.
            self._hold.reset(key)
            step.portions.append(self.reorderer.portion(key, self.reorderer.add_recorded(key, rows)))

    def newest_row(self, key: Key) -> Instant:
        """Return the time of a hammer's newest row: passed on, or to be filled in while a channel is held."""
        return self.reorderer.newest(key) + self._hold.remaining(key)

    def fill_held(self, portion: Portion) -> Portion:
        """Return a look-ahead portion with the rows that held channels fill in."""
        return self._hold.look_ahead(portion)


def _hammer_of_topic(name: str, prefix: str) -> Key | None:
    """Return the hammer that a topic names; None if the topic is not valid."""
    try:
        return topic.parse(name, prefix)[0]
    except Rejected:
        return None
