"""The newest delivery attempts: when each was made, how long it took, and its trace."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import Connection, Delete, delete, func, insert, select

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.schema.delivery_tables import attempts

MAX_KEPT: Final = 10_000
"""How many attempts are kept."""


def delete_beyond(kept: int) -> Delete:
    """Return the statement that deletes all but the newest `kept` attempts."""
    return delete(attempts).where(attempts.c.seq <= select(func.max(attempts.c.seq)).scalar_subquery() - kept)


_DELETE_OLD: Final = delete_beyond(MAX_KEPT)


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


def write(connection: Connection, made: Iterable[Attempt | None]) -> None:
    """Store attempts and delete the oldest beyond `MAX_KEPT`; skip None."""
    rows = [_row(one) for one in made if one is not None]
    if rows:
        connection.execute(insert(attempts), rows)
        connection.execute(_DELETE_OLD)


def attempts_of(connection: Connection, seq: int) -> list[Attempt]:
    """Return the attempts to deliver a message, oldest first."""
    c = attempts.c
    query = (
        select(c.outbox_seq, c.at_ns, c.took_us, c.outcome, c.story)
        .where(c.outbox_seq == seq)
        .order_by(c.seq)
    )
    return [Attempt(*row) for row in connection.execute(query)]


def _row(attempt: Attempt) -> dict[str, Any]:
    row = asdict(attempt)
    row["story"] = row.pop("trace")  # the column keeps its first name
    return row
