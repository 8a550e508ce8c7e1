"""What steps had no room for: rows and events of hammers, kept for the next step (see `step.StepLimit`).

Their messages are put back, so that they are acknowledged with their last row, but they are not decoded again: that
would take as long in each step, and a mapped source counts what it is sent.
"""

from collections.abc import Iterable
from typing import NamedTuple

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.sources.mqtt import Message


class HammerRows(NamedTuple):
    """The rows of one hammer from consecutive messages, in order of arrival.

    `newest`: newest row of the last message. `has_clock`: whether the rows have times of their own, not those of
    receipt.
    """

    key: Key
    rows: Rows
    newest: Instant
    messages: list[Message]
    has_clock: bool = True


class HammerEvent(NamedTuple):
    """An event of a hammer. `received`: the corrected time of receipt of its message, ns."""

    event: Event
    message: Message
    received: Instant


class Postponed:
    """The rows and events that steps had no room for, by hammer and in order of arrival."""

    def __init__(self) -> None:
        self.waiting: dict[Key, list[HammerRows | HammerEvent]] = {}
        self.decoded: dict[int, Message] = {}
        """The messages that were put back and must not be decoded again, by identity: the same objects come again."""

    def add(self, key: Key, part: HammerRows | HammerEvent) -> None:
        """Add rows or an event behind those of the same hammer."""
        self.waiting.setdefault(key, []).append(part)

    def take(self) -> list[HammerRows | HammerEvent]:
        """Return what waits, and forget it."""
        waiting, self.waiting = self.waiting, {}
        return [part for parts in waiting.values() for part in parts]

    def put_back(self, messages: Iterable[Message]) -> list[Message]:
        """Return which of a step's messages are to be put back, because something of them still waits."""
        waiting = {
            id(message)
            for parts in self.waiting.values()
            for part in parts
            for message in (part.messages if isinstance(part, HammerRows) else [part.message])
        }
        found = []
        for message in messages:
            if id(message) in waiting:
                self.decoded[id(message)] = message
                found.append(message)
            else:
                self.decoded.pop(id(message), None)
        return found
