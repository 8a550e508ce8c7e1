"""Messages of mapped sources on their way into a step: mapped one by one, handed on together by hammer.

What a step has no room for is kept as it was mapped. Its messages are put back, so that they are acknowledged with its
last row, but they are not mapped again: a source counts what it is sent, and some keep a state from message to message.
"""

from collections.abc import Container, Iterable
from typing import Final, NamedTuple

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.sources.mapping import Sources
from strikewatch.sources.mapping.collector import Collector, MappedReject
from strikewatch.sources.mapping.sources import Taken
from strikewatch.sources.mqtt import Message

MAX_SPAN_NS: Final = 600 * 1_000_000_000
"""Rows are handed on before they span more time than this, because held values may fill it."""


class HammerRows(NamedTuple):
    """The rows of one hammer from consecutive messages, in order of arrival.

    `newest`: newest row of the last message. `has_clock`: whether the rows have times of their own, not those of
    receipt.
    """

    key: Key
    rows: Rows
    newest: Instant
    messages: list[Message]
    has_clock: bool


class HammerEvent(NamedTuple):
    """An event of a hammer. `received`: the corrected time of receipt of its message, ns."""

    event: Event
    message: Message
    received: Instant


class PostponedMapped:
    """What mapped messages gave and a step had no room for, by hammer and in order of arrival."""

    def __init__(self) -> None:
        self._waiting: dict[Key, list[HammerRows | HammerEvent]] = {}
        self._put_back: dict[int, Message] = {}  # by identity: the same objects come again

    def add(self, key: Key, part: HammerRows | HammerEvent) -> None:
        """Add rows or an event behind those of the same hammer."""
        self._waiting.setdefault(key, []).append(part)

    def take(self) -> Iterable[tuple[Key, list[HammerRows | HammerEvent]]]:
        """Return what waits, and forget it."""
        waiting, self._waiting = self._waiting, {}
        return waiting.items()

    def is_mapped(self, message: Message) -> bool:
        """Return whether a message was put back before, so that it must not be mapped again."""
        return bool(self._put_back) and id(message) in self._put_back

    def put_back(self, messages: Iterable[Message]) -> list[Message]:
        """Return which of a step's messages are to be put back, because something of them still waits."""
        waiting = {
            id(message)
            for parts in self._waiting.values()
            for part in parts
            for message in (part.messages if isinstance(part, HammerRows) else [part.message])
        }
        if not waiting and not self._put_back:
            return []
        found = []
        for message in messages:
            if id(message) in waiting:
                self._put_back[id(message)] = message
                found.append(message)
            else:
                self._put_back.pop(id(message), None)
        return found


class MappedMessages:
    """The mapped messages of a step that are not handed on yet."""

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

    def take_requests(self) -> list[tuple[str, bytes]]:
        """Return the topics and payloads to publish, and forget them."""
        found, self._collector.requests = self._collector.requests, []
        return found

    @property
    def spans_much(self) -> bool:
        """Whether the rows should be handed on, so that held values do not fill too much at once."""
        return self._collector.span > MAX_SPAN_NS

    def take(self) -> list[HammerRows]:
        """Return the rows of all hammers, and forget them."""
        found = self._collector
        taken = [
            HammerRows(key, rows, found.newest[key], self._messages[key], key in self._has_clock)
            for key, rows in found.take_rows().items()
        ]
        self._messages, self._has_clock = {}, set()
        return taken
