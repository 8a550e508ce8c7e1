"""The outcomes of delivery attempts: written with the next transaction, which saves them a sync of their own."""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlalchemy import Connection, bindparam, delete, func, select, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.commit.prepared import PreparedWrite, insert_new
from strikewatch.storage.schema.tables import attempts, outbox

MAX_ATTEMPTS_KEPT: Final = 10_000
"""How many attempts are kept, apart from those since the last time that the oldest were deleted."""
DELETE_EVERY: Final = 500
"""After how many attempts the oldest are deleted."""


@dataclass(slots=True)
class Outcome:
    """The outcome of an attempt. `due`: the next attempt, while the message waits. `at`: the wall time of this outcome.

    "parked" is given up (dead-lettered). `took_us`: how long the attempt took; None if none was made. `trace`: one
    line per step of the attempt. `written`: whether a committed transaction holds it.
    """

    seq: int
    state: Literal["waiting", "sent", "parked"]
    attempts: int
    due: Instant
    summary: str
    at: Instant
    took_us: int | None = None
    trace: str = ""
    written: bool = False


class DeferredOutcomes:
    """The outcomes that wait to be written. Any thread may `add`; the other methods are called by the writer."""

    def __init__(self) -> None:
        self.waiting: deque[Outcome] = deque()
        self._since_deletion = DELETE_EVERY  # so that the first attempts of a run delete the oldest

    def __bool__(self) -> bool:
        return bool(self.waiting)

    def add(self, outcomes: Iterable[Outcome]) -> None:
        self.waiting.extend(outcomes)

    def write(self, connection: Connection) -> list[Outcome]:
        """Write what waits, and the attempts; return it. Call `confirm` with it after the commit."""
        outcomes = list(self.waiting)
        _OUTCOME.run(
            connection,
            [
                {
                    "number": outcome.seq,
                    "state": outcome.state,
                    "attempts": outcome.attempts,
                    "due_ns": outcome.due,
                    "last_outcome": outcome.summary,
                    "finished_ns": None if outcome.state == "waiting" else outcome.at,
                }
                for outcome in outcomes
            ],
        )
        made = [
            {
                "outbox_seq": outcome.seq,
                "at_ns": outcome.at,
                "took_us": outcome.took_us,
                "outcome": outcome.summary,
                "story": outcome.trace,  # the column keeps its first name
            }
            for outcome in outcomes
            if outcome.took_us is not None
        ]
        _ATTEMPT.run(connection, made)
        self._since_deletion += len(made)
        if self._since_deletion >= DELETE_EVERY:
            delete_attempts_beyond(connection, MAX_ATTEMPTS_KEPT)
            self._since_deletion = 0
        return outcomes

    def confirm(self, outcomes: Sequence[Outcome]) -> None:
        """Note that the transaction with these outcomes has been committed."""
        for outcome in outcomes:
            outcome.written = True
            self.waiting.popleft()


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to deliver the message `outbox_seq` at the wall time `at_ns`; `trace` has one line per step."""

    outbox_seq: int
    at_ns: Instant
    took_us: int
    outcome: str
    trace: str

    def json(self) -> dict[str, Any]:
        """Return the JSON object that the API and commands give out."""
        return {
            "at": instant.text(self.at_ns),
            "took_ms": self.took_us / 1000,
            "outcome": self.outcome,
            "steps": self.trace.splitlines(),
        }


def attempts_of(connection: Connection, seq: int) -> list[Attempt]:
    """Return the attempts to deliver a message, oldest first."""
    c = attempts.c
    query = (
        select(c.outbox_seq, c.at_ns, c.took_us, c.outcome, c.story)
        .where(c.outbox_seq == seq)
        .order_by(c.seq)
    )
    return [Attempt(*row) for row in connection.execute(query)]


def delete_attempts_beyond(connection: Connection, kept: int) -> None:
    """Delete all attempts but the newest `kept`."""
    newest = select(func.max(attempts.c.seq)).scalar_subquery()
    connection.execute(delete(attempts).where(attempts.c.seq <= newest - kept))


_COLUMNS: Final = ("attempts", "state", "due_ns", "last_outcome", "finished_ns")
_OUTCOME: Final = PreparedWrite(
    lambda _into: (
        update(outbox)
        .where(outbox.c.seq == bindparam("number"))
        .values({name: bindparam(name) for name in _COLUMNS})
    ),
    [*_COLUMNS, "number"],
)
_ATTEMPT: Final = insert_new(attempts)
