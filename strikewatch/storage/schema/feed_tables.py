"""The table of problems in received data: one row per sender, reason and key, with a count.

The newest rejected payloads are in `tables.rejects`. Many rejects from one sender displace those of others there, but
not here.
"""

from typing import Final

from sqlalchemy import BigInteger, Column, Index, Integer, LargeBinary, Table, Text

from strikewatch.storage.schema.tables import metadata

feed_problems: Final = Table(
    "feed_problems",
    metadata,
    Column("sender", Text, primary_key=True),  # site/hammer, or a topic that names none; "": all others
    Column("reason", Text, primary_key=True),
    Column("key", Text, primary_key=True),  # the unknown key; "" for other reasons
    Column("site", Text, nullable=False),
    Column("hammer", Text, nullable=False),
    Column("n", BigInteger, nullable=False),
    Column("day", Integer, nullable=False),  # days since 1970, UTC, of the last one
    Column("day_n", BigInteger, nullable=False),  # on that day
    Column("before_n", BigInteger, nullable=False),  # on the day before
    Column("first_ns", BigInteger, nullable=False),
    Column("last_ns", BigInteger, nullable=False),
    Column("detail", Text, nullable=False),  # of the first
    Column("payload", LargeBinary, nullable=False),  # the beginning of the first
    sqlite_with_rowid=False,
)
Index("feed_problems_by_last", feed_problems.c.last_ns)
