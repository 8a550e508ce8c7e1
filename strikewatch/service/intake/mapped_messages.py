"""Messages of mapped sources on their way into a step: mapped one by one, handed on together by hammer."""

from collections.abc import Container
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.service.intake.postponed import HammerRows
from strikewatch.sources.mapping import Sources
from strikewatch.sources.mapping.collector import Collector, MappedReject
from strikewatch.sources.mapping.sources import Taken
from strikewatch.sources.mqtt import Message

MAX_SPAN_NS: Final = 600 * 1_000_000_000
"""Rows are handed on before they span more time than this, because held values may fill it."""


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
