"""The newest attempts at deliveries: when, how long, and how far each came."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import Connection, Delete, delete, func, insert, select

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.schema.delivery_tables import attempts

KEPT: Final = 10_000
"""Attempts kept; older ones are dropped."""


def forget_beyond(kept: int) -> Delete:
    """The statement that drops the oldest beyond so many."""
    return delete(attempts).where(attempts.c.seq <= select(func.max(attempts.c.seq)).scalar_subquery() - kept)


_FORGET: Final = forget_beyond(KEPT)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt at the message of that number: at the wall time `at_ns`, for so long, with what outcome."""

    outbox_seq: int
    at_ns: Instant
    took_us: int
    outcome: str
    story: str

    def json(self) -> dict[str, Any]:
        """As others' programs get it."""
        return {
            "at": instant.text(self.at_ns),
            "took_ms": self.took_us / 1000,
            "outcome": self.outcome,
            "steps": self.story.splitlines(),
        }


def write(connection: Connection, made: Iterable[Attempt | None]) -> None:
    """Keep what was tried; None where nothing was."""
    rows = [asdict(one) for one in made if one is not None]
    if rows:
        connection.execute(insert(attempts), rows)
        connection.execute(_FORGET)


def of_message(connection: Connection, seq: int) -> list[Attempt]:
    """What was tried with a message, first to last."""
    c = attempts.c
    asked = (
        select(c.outbox_seq, c.at_ns, c.took_us, c.outcome, c.story)
        .where(c.outbox_seq == seq)
        .order_by(c.seq)
    )
    return [Attempt(*row) for row in connection.execute(asked)]
