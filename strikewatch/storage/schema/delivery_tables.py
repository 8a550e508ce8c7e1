"""The tables beside the outbox: what was tried, and what a person asked for meanwhile. Instants are the wall clock."""

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
"""The newest attempts at deliveries; older ones are dropped."""
Index("attempts_by_message", attempts.c.outbox_seq)

nudges: Final = Table(
    "nudges",
    metadata,
    Column("endpoint", Text, primary_key=True),
    Column("n", Integer, nullable=False),
)
"""Counts, for each endpoint, how often somebody changed from outside what waits for it: its courier then looks anew."""
