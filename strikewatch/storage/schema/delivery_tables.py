"""Tables beside the outbox: delivery attempts, and counters of changes that people made. Instants are wall time."""

from typing import Final

from sqlalchemy import BigInteger, Column, Index, Integer, Table, Text

from strikewatch.storage.schema.tables import metadata, numbered

attempts: Final = Table(
    "attempts",
    metadata,
    numbered(),
    Column("outbox_seq", BigInteger, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("took_us", BigInteger, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("story", Text, nullable=False),
    sqlite_autoincrement=True,
)
"""The newest delivery attempts."""
Index("attempts_by_message", attempts.c.outbox_seq)

nudges: Final = Table(
    "nudges",
    metadata,
    Column("endpoint", Text, primary_key=True),
    Column("n", Integer, nullable=False),
)
"""By endpoint, how often its waiting messages were changed from outside; its delivery loop reloads when this rises."""
