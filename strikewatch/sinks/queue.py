"""Which message may go out next: the oldest of each alert, once its time has come; what is fresh before what is
historic, so that hours of backlog hold up no alert of now.
"""

import heapq
from collections import deque
from dataclasses import dataclass
from typing import Final

from strikewatch.storage.outbox.messages import Message

KEPT: Final = 200
"""Messages held in memory whole; of more than that, only the place in line is."""

Line = tuple[str, str]
"""(site, alert id): its messages go out one after the other, in the order in which they were queued."""


@dataclass(slots=True)
class Pending:
    """A message in its line. `due` is monotonic time (ns); `message` is kept only while few are waiting."""

    seq: int
    line: Line
    step: str
    attempts: int
    due: int
    historic: bool
    message: Message | None


class Queue:
    """One endpoint's waiting messages. Times are monotonic nanoseconds.

    A later step of an alert never overtakes an earlier one: only the head of each line is ever handed out,
    and the line stands still until that one is `done`, comes `again`, or is parked with all of its line.
    """

    def __init__(self) -> None:
        self._lines: dict[Line, deque[Pending]] = {}
        self._fresh: list[tuple[int, int, Pending]] = []
        self._historic: list[tuple[int, int, Pending]] = []
        self._waiting = 0

    def __len__(self) -> int:
        return self._waiting

    def add(self, message: Message, due: int) -> None:
        """Put a message at the end of its line; call in queued order."""
        kept = message if self._waiting < KEPT else None
        line = message.site, message.alert_id
        one = Pending(message.seq, line, message.step, message.attempts, due, message.historic, kept)
        self._waiting += 1
        waiting = self._lines.setdefault(line, deque())
        waiting.append(one)
        if len(waiting) == 1:
            self._offer(one)

    def next_due(self) -> int | None:
        """When the next message may go out; None while nothing waits."""
        return min((heads[0][0] for heads in (self._fresh, self._historic) if heads), default=None)

    def take(self, now: int) -> Pending | None:
        """Of the fresh the message that has been due longest, else of the historic, if any is due; follow with `done`,
        `again` or `park`."""
        for heads in (self._fresh, self._historic):
            if heads and heads[0][0] <= now:
                return heapq.heappop(heads)[2]
        return None

    def done(self, one: Pending) -> None:
        """It is finished with: its line moves up."""
        line = self._lines[one.line]
        line.popleft()
        self._waiting -= 1
        if line:
            self._offer(line[0])
        else:
            del self._lines[one.line]

    def park(self, one: Pending) -> list[Pending]:
        """It is given up, and so is its whole line: what waited behind it, in order."""
        behind = list(self._lines.pop(one.line))[1:]
        self._waiting -= 1 + len(behind)
        return behind

    def again(self, one: Pending, due: int) -> None:
        """It stays at the head of its line, to be tried again at `due`."""
        one.attempts += 1
        one.due = due
        one.message = None
        self._offer(one)

    def clear(self) -> None:
        self._lines.clear()
        self._fresh.clear()
        self._historic.clear()
        self._waiting = 0

    def _offer(self, one: Pending) -> None:
        heapq.heappush(self._historic if one.historic else self._fresh, (one.due, one.seq, one))
