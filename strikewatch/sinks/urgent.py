"""Urgent messages: sent from memory before the database can store them, under the name of the later stored message.

The stored message is then recorded as sent, and not sent again.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import structlog

from strikewatch.core.instant import Instant, seconds
from strikewatch.sinks.endpoint import Endpoint
from strikewatch.sinks.settings import MAX_WAIT_S
from strikewatch.storage.outbox.messages import Message
from strikewatch.storage.outbox.outcomes import Outcome

_log: Final = structlog.get_logger(__name__)


@dataclass(slots=True)
class UrgentMessage:
    """One message. `due`: monotonic time, ns. `outcome`: once delivered; its number is not known yet."""

    message: Message
    due: Instant
    attempts: int = 0
    outcome: Outcome | None = None


class UrgentMessages:
    """The urgent messages of one endpoint, few and in order. Any thread may call `add`."""

    def __init__(
        self, endpoint: Endpoint, wall: Callable[[], Instant], monotonic: Callable[[], Instant]
    ) -> None:
        self._endpoint = endpoint
        self._wall = wall
        self._monotonic = monotonic
        self._new: deque[Message] = deque()
        self._messages: dict[str, UrgentMessage] = {}

    def add(self, messages: Sequence[Message]) -> None:
        self._new.extend(messages)

    def take(self, name: str) -> UrgentMessage | None:
        """Return a message that the database has stored now, and forget it; None if it was never urgent."""
        return self._messages.pop(name, None)

    def next_due(self) -> Instant | None:
        return min((urgent.due for urgent in self._messages.values() if urgent.outcome is None), default=None)

    def send(self, stopping: Callable[[], bool]) -> None:
        """Send what is due; a message waits while an earlier one of its alert is not delivered."""
        while self._new:
            message = self._new.popleft()
            self._messages.setdefault(message.name, UrgentMessage(message, self._monotonic()))
        blocked = set()
        for urgent in self._messages.values():
            key = urgent.message.site, urgent.message.alert_id
            due = key not in blocked and urgent.due <= self._monotonic() and not stopping()
            if urgent.outcome is None and due:
                self._try(urgent)
            if urgent.outcome is None:
                blocked.add(key)

    def _try(self, urgent: UrgentMessage) -> None:
        began = time.perf_counter_ns()
        result = self._endpoint.sender.send(urgent.message, self._wall())
        took_us = (time.perf_counter_ns() - began) // 1000
        urgent.attempts += 1
        if result.delivered:
            now = self._wall()
            urgent.outcome = Outcome(
                0, "sent", urgent.attempts, now, result.summary, now, took_us, result.trace
            )
            return
        wait_s = (
            None if result.gone else self._endpoint.schedule.wait_s(urgent.attempts, result.retry_after_s)
        )
        urgent.due = self._monotonic() + seconds(MAX_WAIT_S if wait_s is None else wait_s)
        _log.warning(
            "delivery_failed",
            endpoint=self._endpoint.name,
            alert=urgent.message.alert_id,
            attempts=urgent.attempts,
            outcome=result.summary,
        )
