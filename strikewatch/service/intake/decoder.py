"""Decode the messages of a step: route each by its topic, then scan, decode or map it into rows and events."""

from collections.abc import Callable, Container, Mapping, Sequence
from functools import lru_cache
from typing import Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.service.intake.intake import Intake
from strikewatch.service.intake.postponed import HammerEvent, HammerRows, Postponed
from strikewatch.service.intake.step import Step
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import Samples, decode, topic
from strikewatch.sources.decode.events import FIELDS
from strikewatch.sources.decode.samples import KEYS
from strikewatch.sources.decode.scanner import Scanner
from strikewatch.sources.mapping import Sources
from strikewatch.sources.mapping.collector import Collector, MappedReject
from strikewatch.sources.mapping.sources import Taken
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import NEVER

NO_HAMMER: Final = "", ""
MAX_SPAN_NS: Final = 600 * SECOND
"""Rows of mapped messages are handed on before they span more time than this, because held values may fill it."""


class MappedMessages:
    """Messages of mapped sources in a step: mapped one by one, handed on together by hammer."""

    def __init__(self, sources: Sources, held: Container[Key]) -> None:
        self._sources = sources
        self._held = held
        self._collector = Collector()
        self._messages: dict[Key, list[Message]] = {}
        self._has_clock: set[Key] = set()

    def __contains__(self, key: object) -> bool:
        return key in self._messages

    def map(
        self, message: Message, taken: Taken, received: Instant, latest: Instant
    ) -> tuple[list[Key], list[Event], list[MappedReject]]:
        """Map a message; return its hammers, events and rejects, and keep its rows."""
        found = self._collector
        self._sources.collect(
            taken, message.payload, received, latest, found, retained=message.retained, held=self._held
        )
        has_clock = not taken[0].source.arrival
        for key in found.keys:
            of_key = self._messages.get(key)
            if of_key is None:
                self._messages[key] = [message]
            elif of_key[-1] is not message:
                of_key.append(message)
            if has_clock:
                self._has_clock.add(key)
        events, rejects = found.events, found.rejects
        if events:
            found.events = []
        if rejects:
            found.rejects = []
        return found.keys, events, rejects

    def take_requests(self) -> Sequence[tuple[str, bytes]]:
        """Return the topics and payloads to publish, and forget them."""
        found = self._collector.requests
        if not found:
            return ()
        self._collector.requests = []
        return found

    @property
    def spans_much(self) -> bool:
        """Whether the rows should be handed on, so that held values do not fill too much at once."""
        return self._collector.span > MAX_SPAN_NS

    def take(self) -> list[HammerRows]:
        """Return the rows of all hammers, and forget them."""
        if not self._messages:
            return []
        found = self._collector
        taken = [
            HammerRows(key, rows, found.newest[key], self._messages[key], key in self._has_clock)
            for key, rows in found.take_rows().items()
        ]
        self._messages, self._has_clock = {}, set()
        return taken


class Decoder:
    """Decodes messages into the intake; used by the worker's thread only.

    `check` raises Rejected for a message that must not be processed. `sources`: mapped topics. `is_own` returns whether
    a hammer is processed here: what a mapped message says of others is passed over.
    """

    def __init__(
        self,
        settings: Settings,
        intake: Intake,
        check: Callable[[Message], None] | None = None,
        sources: Sources | None = None,
        is_own: Callable[[Key], bool] = lambda _key: True,
    ) -> None:
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(settings.intake.max_ahead_s)
        self._max_keys = settings.intake.max_keys
        self._intake = intake
        self._check = check
        self._sources = sources or Sources({})
        self._is_own = is_own
        self._scanner = Scanner()
        self._postponed = Postponed()
        self._route = lru_cache(maxsize=4096)(self._find_route)

    def decode(self, messages: Sequence[Message], step: Step) -> None:
        """Decode messages into the step; reject what cannot be used."""
        postponed = self._postponed
        if postponed.waiting:
            for part in postponed.take():
                self._add_part(part, step)
        samples: dict[Key, list[Message]] = {}
        mapped: MappedMessages | None = None
        for message in messages:
            if id(message) in postponed.decoded:
                continue
            key = None
            try:
                key, kind = self._route(message.topic)
                if self._check is not None:
                    self._check(message)
            except Rejected as error:
                if error.reason != "no_source" or not self._sources.pass_over_topic(
                    message.topic, message.received_ns
                ):
                    step.reject(message.topic, message.payload, error, key)
                continue
            if key in step.postponed_hammers:
                step.postponed.append(message)
            elif kind == "samples":
                if mapped is not None and key in mapped:
                    self._add_mapped(mapped, step)
                samples.setdefault(key, []).append(message)
            elif kind == "events":  # a last will is dated by the samples before it
                self._decode_samples(samples, step)
                samples = {}
                if mapped is not None:
                    self._add_mapped(mapped, step)
                self._decode_strictly(message, key, step)
            else:
                if mapped is None:
                    mapped = MappedMessages(self._sources, self._intake.hold)
                samples = self._map(message, kind, mapped, samples, step)
        self._decode_samples(samples, step)
        if mapped is not None:
            self._add_mapped(mapped, step)
        if postponed.waiting or postponed.decoded:
            step.postponed += postponed.put_back(messages)

    def _find_route(self, name: str) -> tuple[Key, topic.Kind | Taken]:
        """Return the hammer and the kind of message of a topic; or no hammer, and the sources that map it.

        Raises Rejected.
        """
        try:
            return topic.parse(name, self._prefix)
        except Rejected as error:
            if taken := self._sources.taken(name):
                return NO_HAMMER, taken
            if self._sources and not name.startswith(f"{self._prefix}/"):
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
        lead_ns = self._intake.clock.lead_ns
        received = message.received_ns - lead_ns
        latest = received + self._max_ahead_ns + (lead_ns if lead_ns > 0 else 0)
        keys, events, rejects = mapped.map(message, taken, received, latest)
        step.requests += mapped.take_requests()
        for error, key, private in rejects:
            if self._is_own(key or NO_HAMMER):
                step.reject(message.topic, b"" if private else message.payload, error, key)
        if samples and (events or not samples.keys().isdisjoint(keys)):
            self._decode_samples(samples, step)
            samples = {}
        if events or mapped.spans_much:
            self._add_mapped(mapped, step)
        for event in events:
            key = event.site, event.hammer
            if self._is_own(key) and self._admit(key, message, 1, step):
                self._add_part(HammerEvent(event, message, received), step)
        return samples

    def _add_mapped(self, mapped: MappedMessages, step: Step) -> None:
        """Add the rows of mapped messages to the step."""
        for part in mapped.take():
            if self._is_own(part.key) and self._admit(part.key, part.messages[0], len(part.rows), step):
                self._add_part(part, step)

    def _admit(self, key: Key, message: Message, count: int, step: Step) -> bool:
        """Add a hammer to the known ones, or reject what a message gives it."""
        try:
            self._intake.admission.check(key)
        except Rejected as error:
            self._intake.hold.configure(key)  # forget what mapping has looked up for it
            refused = Rejected(error.reason, error.detail, count)
            step.reject(message.topic, message.payload, refused, _sender_of_refused(key, error))
            return False
        self._intake.admission.add(key)
        return True

    def _add_part(self, part: HammerRows | HammerEvent, step: Step) -> None:
        """Add what messages gave for a hammer to the step, or postpone what it has no room for."""
        if isinstance(part, HammerEvent):
            key = part.event.site, part.event.hammer
            if key in step.postponed_hammers:
                self._postponed.add(key, part)
            else:
                self._intake.admit_event(part.event, part.message, part.received, step)
            return
        key, rows = part.key, part.rows
        if key in step.postponed_hammers or self._intake.must_wait(key, rows, step):
            self._add_rows(part, step, 0)
        else:
            self._intake.hold.expect(key, rows)
            self._add_rows(part, step, step.limit.take_room(key, rows))

    def _add_rows(self, part: HammerRows, step: Step, fitting: int) -> None:
        """Add the first rows of a hammer to the step, as many as fit; postpone the others."""
        key, rows, newest, messages, has_clock = part
        if fitting < len(rows.time_ns):
            step.postponed_hammers.add(key)
            self._postponed.add(key, part._replace(rows=rows[fitting:]))
            if not fitting:
                return
            rows = rows[:fitting]
            newest = int(rows.time_ns[-1])
        self._intake.add_rows(key, rows, newest, messages, step, has_clock=has_clock)

    def _decode_samples(self, samples: Mapping[Key, Sequence[Message]], step: Step) -> None:
        """Scan the usual payloads of all hammers at once, and decode the others, in each hammer's order of arrival."""
        lead_ns = self._intake.clock.lead_ns
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
            if self._can_use_scanned(key, step):
                fitting = step.limit.take_room(key, run.rows)
                self._add_rows(HammerRows(key, run.rows, run.newest, own), step, fitting)
            else:
                for message in own:
                    self._decode_strictly(message, key, step)
            done = run.last
        for k in range(done, len(messages)):
            self._decode_strictly(messages[k], keys[k], step)

    def _can_use_scanned(self, key: Key, step: Step) -> bool:
        """Tell whether scanned rows of a hammer can be used; if it is new, add it to the known ones."""
        try:
            self._intake.admission.check(key)
        except Rejected:
            return False  # each message is then refused by itself
        self._intake.admission.add(key)
        # where a null ends a hold, the scanner's NaN would be wrong
        return key not in step.postponed_hammers and key not in self._intake.hold

    def _decode_strictly(self, message: Message, key: Key, step: Step) -> None:
        """Decode any message of a hammer."""
        received = message.received_ns - self._intake.clock.lead_ns
        try:
            self._intake.admission.check(key)
            if key in step.postponed_hammers:
                step.postponed.append(message)
                return
            decoded = decode(
                message.topic,
                message.payload,
                received,
                self._prefix,
                self._max_ahead_ns + max(self._intake.clock.lead_ns, 0),
                self._intake.hold,
                self._max_keys,
            )
        except Rejected as error:
            if key in self._intake.admission:
                step.reject(message.topic, message.payload, error, key)
            else:
                self._intake.hold.configure(key)  # forget what decoding has looked up for it
                step.reject(message.topic, message.payload, error, _sender_of_refused(key, error))
            return
        self._intake.admission.add(key)
        if isinstance(decoded, Samples):
            rows = decoded.rows
            newest = int(rows.time_ns[-1]) if len(rows) else NEVER
            self._add_part(HammerRows(key, rows, newest, [message]), step)
            for rejected in decoded.rejected:
                step.reject(message.topic, message.payload, rejected, key)
        else:
            self._intake.admit_event(decoded.event, message, received, step)
        if decoded.unknown:
            known = KEYS if isinstance(decoded, Samples) else FIELDS[decoded.event.kind]
            self._intake.tally.unknown(key, decoded.unknown, known)


def _sender_of_refused(key: Key, error: Rejected) -> Key:
    """Return as whose problem a refused message is counted: the site's if it invents hammers, or nobody's."""
    if error.reason == "too_many_hammers":
        return key[0], ""
    return ("", "") if error.reason == "too_many_sites" else key
