"""Sessions of the page: each belongs to one token and has a cookie of 256 random bits, stored as a digest only.

A session ends at sign-out, when it expires, or when its token is revoked.
"""

import secrets
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from strikewatch.core.instant import Instant
from strikewatch.storage.actions.tokens import Holder, digest
from strikewatch.storage.schema.tables import sessions, tokens

DURATION_NS: Final = 14 * 86_400 * 1_000_000_000
"""How long a session lasts: two weeks, so that a phone in a cab need not sign in every morning."""


def begin(connection: Connection, holder: Holder, now: Instant) -> str:
    """Begin a session and delete expired ones; return its cookie, which is stored nowhere."""
    connection.execute(delete(sessions).where(sessions.c.ends_ns <= now))
    cookie = secrets.token_urlsafe(32)
    row = {"digest": digest(cookie), "who": holder.name, "ends_ns": now + DURATION_NS}
    connection.execute(insert(sessions).values(row))
    return cookie


def holder_of(connection: Connection, cookie: str, now: Instant) -> Holder | None:
    """Return who is signed in with a cookie; None if nobody is."""
    c = tokens.c
    query = (
        select(c.who, c.role, c.made_ns, c.revoked_ns)
        .join_from(sessions, tokens, sessions.c.who == c.who)
        .where(sessions.c.digest == digest(cookie), sessions.c.ends_ns > now, c.revoked_ns.is_(None))
    )
    row = connection.execute(query).first()
    return None if row is None else Holder(*row)


def end(connection: Connection, cookie: str) -> None:
    """End a session (sign out)."""
    connection.execute(delete(sessions).where(sessions.c.digest == digest(cookie)))
