"""Tables of the users of the HTTP interface and the page. They hold digests of tokens, never a token."""

from typing import Final

from sqlalchemy import BigInteger, Column, Table, Text

from strikewatch.storage.schema.tables import metadata

tokens: Final = Table(
    "tokens",
    metadata,
    Column("who", Text, primary_key=True),
    Column("role", Text, nullable=False),  # view, act or review
    Column("digest", Text, nullable=False),  # SHA-256, in hex
    Column("made_ns", BigInteger, nullable=False),
    Column("revoked_ns", BigInteger),
)

sessions: Final = Table(
    "sessions",
    metadata,
    Column("digest", Text, primary_key=True),  # of the cookie, SHA-256, in hex
    Column("who", Text, nullable=False),  # of tokens
    Column("ends_ns", BigInteger, nullable=False),
)
