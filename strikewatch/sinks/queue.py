"""What an endpoint has yet to send: the queue of stored messages, and urgent ones.

The queue gives out the oldest message of each alert, once it is due. Current alerts go before historic ones, so that a
backlog of hours does not delay a current alert.

Urgent messages are sent from memory before the database can store them, under the name of the later stored message,
which is then recorded as sent, and not sent again.
"""

import heapq
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import structlog

from strikewatch.core.instant import Instant, seconds
from strikewatch.sinks import Endpoint
from strikewatch.sinks.settings import MAX_WAIT_S
from strikewatch.storage.outbox.digests import DIGEST
from strikewatch.storage.outbox.messages import Message
from strikewatch.storage.outbox.outcomes import Outcome

MAX_BYTES: Final = 4 << 20
"""How much is held in memory whole; of further messages, only the position."""

AlertKey = tuple[str, str]
"""(site, alert id): its messages are sent one after the other, in queued order."""


@dataclass(slots=True)
class Pending:
    """A queued message. `due`: monotonic time, ns."""

    seq: int
    alert_key: AlertKey
    step: str
    attempts: int
    due: int
    historic: bool
    message: Message | None
    """None: it is read from the database when it is sent."""


class Queue:
    """One endpoint's waiting messages. Times are monotonic nanoseconds.

    A later step of an alert never overtakes an earlier one: only the first message of each alert is taken, and the
    others wait until that one is `done`, set to `retry`, or given up with all others (`dead_letter`).
    """

    def __init__(self) -> None:
        self._by_alert: dict[AlertKey, deque[Pending]] = {}
        self._current: list[tuple[int, int, Pending]] = []
        self._historic: list[tuple[int, int, Pending]] = []
        self._waiting = 0
        self.historic = 0
        """How many of the waiting messages are historic."""
        self._bytes = 0

    def __len__(self) -> int:
        return self._waiting

    def add(self, message: Message, due: int) -> None:
        """Append a message to those of its alert; call in queued order."""
        # a digest is read when it is sent, since newer messages change what it lists
        keep = message.step != DIGEST and self._bytes + message.size <= MAX_BYTES
        kept = message if keep else None
        self._bytes += message.size if kept else 0
        key = message.site, message.alert_id
        pending = Pending(message.seq, key, message.step, message.attempts, due, message.historic, kept)
        self._waiting += 1
        self.historic += message.historic
        waiting = self._by_alert.setdefault(key, deque())
        waiting.append(pending)
        if len(waiting) == 1:
            self._offer(pending)

    def next_due(self) -> int | None:
        """Return when the next message is due; None while nothing waits."""
        return min((heads[0][0] for heads in (self._current, self._historic) if heads), default=None)

    def take(self, now: int) -> Pending | None:
        """Return the message that has been due longest, current ones first; None if none is due.

        Call `done`, `retry` or `dead_letter` with it afterwards.
        """
        for heads in (self._current, self._historic):
            if heads and heads[0][0] <= now:
                return heapq.heappop(heads)[2]
        return None

    def done(self, pending: Pending) -> None:
        """Remove a message that was delivered; the next one of its alert may follow."""
        waiting = self._by_alert[pending.alert_key]
        waiting.popleft()
        self._waiting -= 1
        self.historic -= pending.historic
        self._release(pending)
        if waiting:
            self._offer(waiting[0])
        else:
            del self._by_alert[pending.alert_key]

    def dead_letter(self, pending: Pending) -> list[Pending]:
        """Give up a message and all others of its alert; return the others, in order."""
        given_up = self._by_alert.pop(pending.alert_key)
        self._waiting -= len(given_up)
        for each in given_up:
            self.historic -= each.historic
            self._release(each)
        return list(given_up)[1:]

    def retry(self, pending: Pending, due: int) -> None:
        """Keep a message as the first of its alert, to be sent again at `due`."""
        pending.attempts += 1
        pending.due = due
        self._release(pending)
        self._offer(pending)

    def put_back(self, pending: Pending) -> None:
        """Undo a `take`."""
        self._offer(pending)

    def clear(self) -> None:
        self._by_alert.clear()
        self._current.clear()
        self._historic.clear()
        self._waiting = self.historic = self._bytes = 0

    def _release(self, pending: Pending) -> None:
        """Drop the whole message from memory."""
        if pending.message is not None:
            self._bytes -= pending.message.size
            pending.message = None

    def _offer(self, pending: Pending) -> None:
        heapq.heappush(
            self._historic if pending.historic else self._current, (pending.due, pending.seq, pending)
        )


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
