"""Turn messages into rows and events of hammers in event time: decode, order, fill in held values."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
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
from strikewatch.service.admission import Admission
from strikewatch.service.clock import CorrectedClock
from strikewatch.service.feed_tally import FeedTally
from strikewatch.service.mapped_messages import MappedMessages
from strikewatch.service.step_limit import StepLimit
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import Samples, decode, topic
from strikewatch.sources.decode.events import FIELDS
from strikewatch.sources.decode.samples import KEYS
from strikewatch.sources.decode.scanner import Scanner
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold, bounds_of, has_hold_columns
from strikewatch.sources.mapping import Sources
from strikewatch.sources.mapping.sources import Taken
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import LAYOUT as ORDERING_LAYOUT
from strikewatch.sources.ordering import NEVER, Reorderer
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import Reject

LAYOUT: Final = f"{HOLD_LAYOUT} {ORDERING_LAYOUT}"
"""The layout of what `saved` returns; waiting rows follow it."""
HELD_PER_STEP_NS: Final = 86_400 * SECOND
"""Time of held values that a step fills in, a row a second: a few bytes can stand for a day of them."""
HELD_LITTLE_NS: Final = 600 * SECOND
"""A message that holds values for no longer does not wait for another step."""
NO_HAMMER: Final = "", ""
IN_TIME_NS: Final = 10 * SECOND
"""Rows that arrive within this time have not waited at the broker."""


class Step:
    """The data of one step: decoded rows and events, what the detectors found, and rejects.

    `received`: wall time. `recorded`: from our own recordings, so not to be recorded. `redelivered`: hammers with
    redelivered messages. `postponed`: messages for another step. `requests`: topics and payloads to publish.
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
        self.postponed: list[Message] = []
        self.requests: list[tuple[str, bytes]] = []
        self.postponed_hammers: set[Key] = set()
        self.held_ns = 0

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
    `CorrectedClock`. `check` raises Rejected for a message that must not be processed. `sources`: mapped topics.
    """

    def __init__(
        self,
        settings: Settings,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        is_stored: Callable[[Event], bool],
        floor: Instant,
        check: Callable[[Message], None] = lambda _message: None,
        sources: Sources | None = None,
    ) -> None:
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(settings.intake.max_ahead_s)
        self._reorder_ns = instant.seconds(settings.intake.reorder_s)
        self._max_keys = settings.intake.max_keys
        self._max_pending_events = settings.intake.max_pending_events
        self._monotonic = monotonic
        self._is_stored = is_stored
        self._admission = Admission(
            settings.intake.max_hammers,
            settings.intake.max_hammers_per_site,
            settings.intake.max_sites,
            settings.hammers.keys(),
            settings.sites.zones.keys(),
        )
        self._check = check
        self._hold = Hold(lambda key: bounds_of(settings.of_hammer(key)))
        self._scanner = Scanner()
        self._limit = StepLimit()
        self.sources = sources or Sources({})
        self._route = lru_cache(maxsize=4096)(self._find_route)
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
        self._admission.add(key)
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

    def decode(self, messages: Sequence[Message], step: Step) -> None:
        """Decode messages into the step; reject what cannot be used."""
        self._limit.next_step()
        samples: dict[Key, list[Message]] = {}
        mapped = MappedMessages(self.sources, self._hold)
        for message in messages:
            key = None
            try:
                key, kind = self._route(message.topic)
                self._check(message)
            except Rejected as error:
                if error.reason != "no_source" or not self.sources.pass_over_topic(
                    message.topic, message.received_ns
                ):
                    step.reject(message.topic, message.payload, error, key)
                continue
            if kind == "samples":
                if key in mapped:
                    self._add_mapped(mapped, step)
                samples.setdefault(key, []).append(message)
            elif kind == "events":  # a last will is dated by the samples before it
                self._decode_samples(samples, step)
                samples = {}
                self._add_mapped(mapped, step)
                self._decode_strictly(message, key, step)
            else:
                samples = self._map(message, kind, mapped, samples, step)
        self._decode_samples(samples, step)
        self._add_mapped(mapped, step)

    def _find_route(self, name: str) -> tuple[Key, topic.Kind | Taken]:
        """Return the hammer and the kind of message of a topic; or no hammer, and the sources that map it.

        Raises Rejected.
        """
        try:
            return topic.parse(name, self._prefix)
        except Rejected as error:
            if taken := self.sources.taken(name):
                return NO_HAMMER, taken
            if self.sources and not name.startswith(f"{self._prefix}/"):
                raise Rejected("no_source", f"{name[:200]!r}: no source takes this topic") from None
            raise error

    def _map(
        self,
        message: Message,
        taken: Taken,
        mapped: MappedMessages,
        samples: dict[Key, list[Message]],
        step: Step,
    ) -> dict[Key, list[Message]]:
        """Map a message; return which of the samples before it still wait to be decoded."""
        received = message.received_ns - self.clock.lead_ns
        latest = received + self._max_ahead_ns + max(self.clock.lead_ns, 0)
        keys, events, rejects = mapped.map(message, taken, received, latest)
        step.requests += mapped.take_requests()
        for error, key, private in rejects:
            step.reject(message.topic, b"" if private else message.payload, error, key)
        if events or not samples.keys().isdisjoint(keys):
            self._decode_samples(samples, step)
            samples = {}
        if events or mapped.spans_much:
            self._add_mapped(mapped, step)
        for event in events:
            self._admit_mapped_event(event, message, received, step)
        return samples

    def _add_mapped(self, mapped: MappedMessages, step: Step) -> None:
        """Add the rows of mapped messages to the step."""
        for key, rows, newest, messages, has_clock in mapped.take():
            if not self._admit(key, messages[0], len(rows), step):
                continue
            if key in step.postponed_hammers or self._must_wait(key, rows, step):
                step.postponed_hammers.add(key)
                step.postponed += messages
                continue
            self._hold.expect(key, rows)
            self._add_rows(key, rows, newest, messages, step, has_clock=has_clock)

    def _admit(self, key: Key, message: Message, count: int, step: Step) -> bool:
        """Add a hammer to the known ones, or reject what a message gives it."""
        try:
            self._admission.check(key)
        except Rejected as error:
            self._hold.configure(key)  # forget what mapping has looked up for it
            refused = Rejected(error.reason, error.detail, count)
            step.reject(message.topic, message.payload, refused, _sender_of_refused(key, error))
            return False
        self._admission.add(key)
        return True

    def _admit_mapped_event(self, event: Event, message: Message, received: Instant, step: Step) -> None:
        key = event.site, event.hammer
        if self._admit(key, message, 1, step):
            if key in step.postponed_hammers:
                step.postponed.append(message)
            else:
                self._admit_event(event, message, received, step)

    def _decode_samples(self, samples: Mapping[Key, Sequence[Message]], step: Step) -> None:
        """Scan the usual payloads of all hammers at once, and decode the others, in each hammer's order of arrival."""
        lead_ns = self.clock.lead_ns
        ahead_ns = self._max_ahead_ns + max(lead_ns, 0) - lead_ns
        keys = [key for key, own in samples.items() for _ in own]
        messages = [message for own in samples.values() for message in own]
        payloads = [message.payload for message in messages]
        latest = [message.received_ns + ahead_ns for message in messages]
        done = 0
        for run in self._scanner.scan(payloads, keys, latest):
            for k in range(done, run.first):
                self._decode_strictly(messages[k], keys[k], step)
            key, own = keys[run.first], messages[run.first : run.last]
            # where a null ends a hold, the scanner's NaN would be wrong
            if (
                key not in self._admission
                or key in self._hold
                or key in step.postponed_hammers
                or not self._limit.has_room(key, run.rows)
            ):
                for message in own:
                    self._decode_strictly(message, key, step)
            else:
                self._add_rows(key, run.rows, run.newest, own, step)
            done = run.last
        for k in range(done, len(messages)):
            self._decode_strictly(messages[k], keys[k], step)

    def _decode_strictly(self, message: Message, key: Key, step: Step) -> None:
        """Decode any message of a hammer."""
        received = message.received_ns - self.clock.lead_ns
        try:
            self._admission.check(key)
            if key in step.postponed_hammers:
                step.postponed.append(message)
                return
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
            if key in self._admission:
                step.reject(message.topic, message.payload, error, key)
            else:
                self._hold.configure(key)  # forget what decoding has looked up for it
                step.reject(message.topic, message.payload, error, _sender_of_refused(key, error))
            return
        self._admission.add(key)
        if isinstance(decoded, Samples):
            if self._must_wait(key, decoded.rows, step):
                step.postponed_hammers.add(key)
                step.postponed.append(message)
                return
            rows, whole = self._limit.take(key, message, decoded.rows)
            self._hold.expect(key, rows)
            newest = int(rows.time_ns[-1]) if len(rows) else NEVER
            self._add_rows(key, rows, newest, (message,), step)
            if not whole:
                step.postponed_hammers.add(key)
                step.postponed.append(message)
                return
            for rejected in decoded.rejected:
                step.reject(message.topic, message.payload, rejected, key)
        else:
            self._admit_event(decoded.event, message, received, step)
        if decoded.unknown:
            known = KEYS if isinstance(decoded, Samples) else FIELDS[decoded.event.kind]
            self.tally.unknown(key, decoded.unknown, known)

    def _add_rows(
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
            self._in_time[key] = last.generation if in_time else 0
        if any(message.redelivered for message in messages):
            step.redelivered.add(key)

    def _admit_event(self, event: Event, message: Message, received: Instant, step: Step) -> None:
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

    def _must_wait(self, key: Key, rows: Rows, step: Step) -> bool:
        """Return whether held values would make more rows of a message than the step has room for."""
        if not len(rows) or (key not in self._hold and not has_hold_columns(rows)):
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
        self._admission.add((event.site, event.hammer))
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


def _sender_of_refused(key: Key, error: Rejected) -> Key:
    """Return as whose problem a refused message is counted: the site's if it invents hammers, or nobody's."""
    if error.reason == "too_many_hammers":
        return key[0], ""
    return ("", "") if error.reason == "too_many_sites" else key
