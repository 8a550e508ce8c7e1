"""What is told before the database can hold it: sent from memory, under the name that the stored message will have.

That one is then on record as sent and does not go out again.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import structlog

from strikewatch.core.instant import Instant, seconds
from strikewatch.sinks.endpoint import Endpoint
from strikewatch.sinks.retry_schedule import LONGEST_S
from strikewatch.storage.outbox.messages import Message, Outcome

_log: Final = structlog.get_logger(__name__)


@dataclass(slots=True)
class Early:
    """One message; `due` by the monotonic clock. `outcome` (of no number yet) once it has been taken."""

    message: Message
    due: Instant
    attempts: int = 0
    outcome: Outcome | None = None


class Ahead:
    """The early messages of one endpoint, few and in order. `add` may be called by any thread."""

    def __init__(
        self, endpoint: Endpoint, wall: Callable[[], Instant], monotonic: Callable[[], Instant]
    ) -> None:
        self._endpoint = endpoint
        self._wall = wall
        self._monotonic = monotonic
        self._new: deque[Message] = deque()
        self._early: dict[str, Early] = {}
        self.find = self._early.get
        """By name; None for what was never early."""

    def add(self, messages: Sequence[Message]) -> None:
        self._new.extend(messages)

    def drop(self, name: str) -> None:
        """From now on the database has it."""
        self._early.pop(name, None)

    def next_due(self) -> Instant | None:
        return min((one.due for one in self._early.values() if one.outcome is None), default=None)

    def send(self, stopping: Callable[[], bool]) -> None:
        """Send what is due, of each alert one after the other."""
        while self._new:
            message = self._new.popleft()
            self._early.setdefault(message.name, Early(message, self._monotonic()))
        held_up = set()
        for one in self._early.values():
            line = one.message.site, one.message.alert_id
            due = line not in held_up and one.due <= self._monotonic() and not stopping()
            if one.outcome is None and due:
                self._try(one)
            if one.outcome is None:
                held_up.add(line)

    def _try(self, one: Early) -> None:
        began = time.perf_counter_ns()
        answer = self._endpoint.sender.send(one.message, self._wall())
        took_us = (time.perf_counter_ns() - began) // 1000
        one.attempts += 1
        if answer.taken:
            now = self._wall()
            one.outcome = Outcome(0, "sent", one.attempts, now, answer.words, now, took_us, answer.story)
            return
        wait_s = None if answer.gone else self._endpoint.schedule.wait_s(one.attempts, answer.retry_after_s)
        one.due = self._monotonic() + seconds(LONGEST_S if wait_s is None else wait_s)
        _log.warning(
            "delivery_failed",
            endpoint=self._endpoint.name,
            alert=one.message.alert_id,
            attempts=one.attempts,
            outcome=answer.words,
        )
