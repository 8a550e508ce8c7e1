"""The arrivals of all hammers in event time: rows are ordered, held values filled in, events put between the rows."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from strikewatch.core import instant
from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.service.clock import CorrectedClock
from strikewatch.service.feed_tally import FeedTally
from strikewatch.service.intake.admission import Admission
from strikewatch.service.intake.step import Step
from strikewatch.settings.tree import Settings
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold, bounds_of, has_hold_columns
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import LAYOUT as ORDERING_LAYOUT
from strikewatch.sources.ordering import NEVER, Reorderer
from strikewatch.storage.commit import spool

LAYOUT: Final = f"{HOLD_LAYOUT} {ORDERING_LAYOUT}"
"""The layout of what `saved` returns; waiting rows follow it."""
HELD_PER_STEP_NS: Final = 86_400 * SECOND
"""Time of held values that a step fills in, a row a second: a few bytes can stand for a day of them."""
HELD_LITTLE_NS: Final = 600 * SECOND
"""A message that holds values for no longer does not wait for another step."""
IN_TIME_NS: Final = 10 * SECOND
"""Rows that arrive within this time have not waited at the broker."""


class Intake:
    """What has arrived of each hammer and is not processed yet; used by the worker's thread only.

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
        self._reorder_ns = instant.seconds(settings.intake.reorder_s)
        self._max_pending_events = settings.intake.max_pending_events
        self._monotonic = monotonic
        self._is_stored = is_stored
        self.in_time: dict[Key, int] = {}
        """The connection by which a hammer's newest rows came; 0: they were late."""
        self.admission = Admission(
            settings.intake.max_hammers,
            settings.intake.max_hammers_per_site,
            settings.intake.max_sites,
            settings.hammers.keys(),
            settings.sites.zones.keys(),
        )
        self.hold = Hold(lambda key: bounds_of(settings.of_hammer(key)))
        self.clock = CorrectedClock(wall, monotonic, floor)
        self.reorderer = Reorderer("gap", self._reorder_ns)
        self.last_heard: dict[Key, Instant] = {}
        """When each hammer last sent something new, monotonic."""
        self.tally = FeedTally()

    def restore(
        self, key: Key, watermark: Instant, events: Sequence[Event], saved: tuple[str, bytes] | None
    ) -> None:
        """Restore a hammer; `saved`: layout and bytes of its whole saved state."""
        self.admission.add(key)
        waiting = NO_ROWS
        if saved is not None:
            layout, state = saved
            size = sum(int(part.rpartition(":")[2]) for part in layout.split())
            if len(state) > size:
                [(_, waiting)], _ = spool.decode(state[size:])
            self.hold.restore(key, layout, state)
            self.hold.expect(key, waiting)
        self.reorderer.restore(key, watermark, waiting, events)
        if saved is not None:
            self.reorderer.resume(key, *saved)
        self.last_heard[key] = self._monotonic()

    def saved(self, key: Key) -> bytes:
        """Return a hammer's state as bytes of `LAYOUT`, followed by its waiting rows."""
        saved = self.hold.saved(key) + self.reorderer.saved(key)
        waiting = self.reorderer.waiting(key)
        return saved + spool.encode([(key, waiting)]) if len(waiting.time_ns) else saved

    def add_rows(
        self,
        key: Key,
        rows: Rows,
        newest: Instant,
        messages: Sequence[Message],
        step: Step,
        *,
        has_clock: bool = True,
    ) -> None:
        """Add the rows of a hammer's messages to the step; `newest`: of the last message, NEVER if it has none.

        `has_clock`: their times are those of a clock of the hammer's own.
        """
        step.rows.setdefault(key, []).append(rows)
        if newest != NEVER:
            last = messages[-1]
            if has_clock:
                self.clock.record_sample(key, newest)
            in_time = last.received_ns - self.clock.lead_ns - newest <= IN_TIME_NS
            self.in_time[key] = last.generation if in_time else 0
        if any(message.redelivered for message in messages):
            step.redelivered.add(key)

    def admit_event(self, event: Event, message: Message, received: Instant, step: Step) -> None:
        """Let a new event take effect, or reject it if too many wait."""
        if event.kind == "connection" and event.time == received:
            event = self._date_last_will(event, message.generation, step)
        if event in step.events or self._is_stored(event):
            return
        key = event.site, event.hammer
        if (pending := self.reorderer.pending_events(key)) >= self._max_pending_events:
            refused = Rejected("too_many_events", f"{pending} events of this hammer wait for its samples")
            step.reject(message.topic, message.payload, refused, key)
            return
        step.events.append(event)
        self.add_event(event)

    def must_wait(self, key: Key, rows: Rows, step: Step) -> bool:
        """Return whether held values would make more rows of a message than the step has room for."""
        if not len(rows) or (key not in self.hold and not has_hold_columns(rows)):
            return False
        newest = max(
            [
                self.reorderer.newest(key),
                *(int(one.time_ns[-1]) for one in step.rows.get(key, ()) if len(one)),
            ]
        )
        span = int(rows.time_ns[-1]) - (newest if newest != NEVER else int(rows.time_ns[0]))
        if span <= HELD_LITTLE_NS:
            return False
        if step.held_ns and step.held_ns + span > HELD_PER_STEP_NS:
            return True
        step.held_ns += span
        return False

    def add_event(self, event: Event) -> None:
        """Let an event take effect between the rows."""
        self.admission.add((event.site, event.hammer))
        self.reorderer.add_event(event)
        self.last_heard.setdefault((event.site, event.hammer), self._monotonic())

    def _date_last_will(self, event: Event, generation: int, step: Step) -> Event:
        """Date a last will, which has no time: at its arrival if the rows before it came in time.

        Otherwise it may have waited at the broker with rows behind it, and the time of the loss is unknown. Then it
        is dated just after the newest row.
        """
        key = event.site, event.hammer
        if self.in_time.get(key) == generation:
            return event
        waiting = [self.reorderer.waiting(key)] if key in self.reorderer.keys else []
        ends = [int(rows.time_ns.max()) for rows in [*waiting, *step.rows.get(key, ())] if len(rows)]
        newest = max([self.reorderer.newest(key), *ends])
        return event if newest == NEVER else replace(event, time=min(newest + 1, event.time))

    def order_rows(self, step: Step, now: Instant) -> list[Key]:
        """Add the step's rows that are ready to its portions; return the hammers whose state has changed."""
        changed = []
        portions = []
        for key, parts in step.rows.items():
            arrived = Rows.join(parts)
            # Late rows, as from a clock that was set back, do not show that the hammer is sending now.
            if len(arrived.time_ns) and arrived.time_ns.max() > self.reorderer.newest(key):
                self.last_heard[key] = now
            self.last_heard.setdefault(key, now)
            rows = self.reorderer.add_rows(key, arrived, redelivered=key in step.redelivered)
            changed.append(key)
            if len(rows.time_ns):
                portions.append(self.reorderer.portion(key, rows))
            for reason, unused in self.reorderer.take_unused(key):
                step.reject_rows(key, reason, unused)
        for key, duplicates in self.reorderer.take_duplicates().items():
            self.tally.duplicates(key, duplicates)
            step.counts["duplicate"] += duplicates
        for key in self.reorderer.waiting_hammers:
            if now - self.last_heard[key] >= self._reorder_ns:
                portions.append(self.reorderer.portion(key, self.reorderer.flush(key)))
                changed.append(key)
        step.portions += map(self.hold.fill, portions)
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
            self.hold.reset(key)
            step.portions.append(self.reorderer.portion(key, self.reorderer.add_recorded(key, rows)))

    def newest_row(self, key: Key) -> Instant:
        """Return the time of a hammer's newest row: passed on, or to be filled in while a channel is held."""
        return self.reorderer.newest(key) + self.hold.remaining(key)

    def fill_held(self, portion: Portion) -> Portion:
        """Return a look-ahead portion with the rows that held channels fill in."""
        return self.hold.look_ahead(portion)
