"""Sessions of the page: 256 random bits in a cookie, of which only a digest is kept, each of one token.

A session ends when it is signed out of, when its time is over, and when its token is revoked.
"""

import secrets
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from strikewatch.core.instant import Instant
from strikewatch.storage.actions.tokens import Holder, digest
from strikewatch.storage.schema.access_tables import sessions, tokens

LASTS: Final = 14 * 86_400 * 1_000_000_000
"""ns; a phone in a cab is not signed in anew every morning."""


def begin(connection: Connection, holder: Holder, now: Instant) -> str:
    """A new session of a token's holder; what is returned is kept nowhere. Those that are over are cleared away."""
    connection.execute(delete(sessions).where(sessions.c.ends_ns <= now))
    cookie = secrets.token_urlsafe(32)
    row = {"digest": digest(cookie), "who": holder.name, "ends_ns": now + LASTS}
    connection.execute(insert(sessions).values(row))
    return cookie


def whose(connection: Connection, cookie: str, now: Instant) -> Holder | None:
    """Who is signed in by this cookie."""
    c = tokens.c
    asked = (
        select(c.who, c.role, c.made_ns, c.revoked_ns)
        .join_from(sessions, tokens, sessions.c.who == c.who)
        .where(sessions.c.digest == digest(cookie), sessions.c.ends_ns > now, c.revoked_ns.is_(None))
    )
    row = connection.execute(asked).first()
    return None if row is None else Holder(*row)


def end(connection: Connection, cookie: str) -> None:
    """Sign out."""
    connection.execute(delete(sessions).where(sessions.c.digest == digest(cookie)))
