"""Bound what one hammer's rows may cost in a step: a message with weeks of rows is processed in several steps.

Alerts need time: no hammer raises more than a few in `QUANTUM_NS`. So the time that rows span bounds the alerts of a
step, its memory, and how long other hammers wait for the next step.

The rows and events that a step has no room for are kept for the next ones. Their messages are put back, so that they
are acknowledged with their last row, but they are not decoded again: that would take as long in each step, and a mapped
source counts what it is sent.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Ints, Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.mqtt import Message

QUANTUM_NS: Final = 5 * SECOND
"""A longer time between two rows counts as this much."""
LIMIT_NS: Final = 500 * QUANTUM_NS
"""Time of rows that a step takes of one hammer: 42 min with a row a second, 500 rows with one a minute."""


class StepLimit:
    """The time of rows that each hammer has used in this step."""

    def __init__(self) -> None:
        self._used: dict[Key, int] = {}
        self._unmeasured: dict[Key, list[Rows]] = {}  # counted as QUANTUM_NS a row until the limit is reached

    def next_step(self) -> None:
        """Begin a step: each hammer has all its room again."""
        self._used.clear()
        self._unmeasured.clear()

    def take_room(self, key: Key, rows: Rows) -> int:
        """Take the room for as many of the rows as fit, of a step's first at least one; return how many."""
        used = self._used.get(key, 0) + QUANTUM_NS * len(rows)
        if used <= LIMIT_NS:
            self._used[key] = used
            self._unmeasured.setdefault(key, []).append(rows)
            return len(rows)
        used = self._measure(key)
        costs = used + _costs(rows)
        fitting = max(int(np.searchsorted(costs, LIMIT_NS, side="right")), 0 if used else 1)
        if fitting:
            self._used[key] = int(costs[fitting - 1])
        return fitting

    def _measure(self, key: Key) -> int:
        """Return the time of rows that a hammer has used, ns."""
        used = self._used.get(key, 0)
        for rows in self._unmeasured.pop(key, ()):
            if len(rows):
                used += int(_costs(rows)[-1]) - QUANTUM_NS * len(rows)
        self._used[key] = used
        return used


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
        self._waiting: dict[Key, list[HammerRows | HammerEvent]] = {}
        self._put_back: dict[int, Message] = {}  # by identity: the same objects come again

    def add(self, key: Key, part: HammerRows | HammerEvent) -> None:
        """Add rows or an event behind those of the same hammer."""
        self._waiting.setdefault(key, []).append(part)

    def take(self) -> list[HammerRows | HammerEvent]:
        """Return what waits, and forget it."""
        waiting, self._waiting = self._waiting, {}
        return [part for parts in waiting.values() for part in parts]

    def is_decoded(self, message: Message) -> bool:
        """Return whether a message was put back before, so that it must not be decoded again."""
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


def _costs(rows: Rows) -> Ints:
    """Return the time of rows that each row and those before it use, ns; at least one row is given."""
    costs = np.full(len(rows), QUANTUM_NS)
    np.clip(np.diff(rows.time_ns), 0, QUANTUM_NS, out=costs[1:])
    return np.cumsum(costs)
