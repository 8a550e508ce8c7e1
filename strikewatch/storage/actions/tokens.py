"""Bearer tokens, and sessions of the page: 256 random bits each, stored as a digest only.

Plain SHA-256 suffices: unlike a password, 256 random bits cannot be guessed from their digest. A session belongs to one
token; it ends at sign-out, when it expires, or when its token is revoked. A token can be limited to some sites: its
holder then sees and changes nothing of the others.
"""

import hashlib
import hmac
import json
import secrets
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlalchemy import Connection, delete, func, insert, select, update

from strikewatch.core.instant import Instant
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.schema.tables import sessions, tokens

Role = Literal["view", "act", "review"]
ROLES: Final[tuple[Role, ...]] = ("view", "act", "review")
"""Each role includes the permissions of those before it."""
_PREFIX: Final = "sw_"
"""Marks a token for people and for scanners that look for leaked secrets."""
_MAX_NAME: Final = 100


@dataclass(frozen=True, slots=True)
class Holder:
    """The holder of a token. `revoked`: when; None while the token is valid. `sites`: the only ones; None: all."""

    name: str
    role: Role
    made: Instant
    revoked: Instant | None
    sites: frozenset[str] | None = None

    def may(self, role: Role) -> bool:
        return ROLES.index(self.role) >= ROLES.index(role)


def add(
    connection: Connection, name: str, role: Role, now: Instant, sites: Collection[str] | None = None
) -> str:
    """Create a token, on request for some sites only, and return it; it is stored nowhere.

    Raises Refused if the name has been used, or if the sites are none.
    """
    if name != name.strip() or not 1 <= len(name) <= _MAX_NAME or not name.isprintable():
        raise Refused(f"a name has 1 to {_MAX_NAME} printable characters, without blanks at either end")
    if connection.scalar(select(tokens.c.who).where(tokens.c.who == name)) is not None:
        raise Refused(f"{name} has had a token before; choose another name, so that the record stays clear")
    if sites is not None and not (sites and all(sites)):
        raise Refused("a site has a name; leave the sites out for a token that is good for all of them")
    token = _PREFIX + secrets.token_urlsafe(32)
    limits = None if sites is None else json.dumps(sorted(set(sites)))
    row = {"who": name, "role": role, "digest": digest(token), "made_ns": now, "sites": limits}
    connection.execute(insert(tokens).values(row))
    return token


def revoke(connection: Connection, name: str, now: Instant) -> bool:
    """Revoke a token; return whether it was valid until now. Raises Unknown if the name has no token."""
    if name not in {holder.name for holder in holders(connection)}:
        raise Unknown(f"there is no token for {name!r}; `strikewatch token list` shows all")
    c = tokens.c
    done = update(tokens).where(c.who == name, c.revoked_ns.is_(None)).values(revoked_ns=now)
    return connection.execute(done).rowcount == 1


def holders(connection: Connection) -> list[Holder]:
    """Return the holders of all tokens, valid or revoked, sorted by name."""
    return [_holder(row) for row in connection.execute(_HOLDER.order_by(tokens.c.who))]


def any_exist(connection: Connection) -> bool:
    """Return whether any token was ever created, valid or revoked."""
    return connection.scalar(select(func.count()).select_from(tokens)) != 0


def holder_of(connection: Connection, token: str) -> Holder | None:
    """Return the holder of a valid token; None for any other. Compares every digest in constant time."""
    given, found = digest(token), None
    for row in connection.execute(_HOLDER.where(tokens.c.revoked_ns.is_(None))):
        if hmac.compare_digest(row.digest, given):
            found = _holder(row)
    return found


def valid_holder(connection: Connection, name: str) -> Holder | None:
    """Return the holder of a name's token while it is valid."""
    c = tokens.c
    row = connection.execute(_HOLDER.where(c.who == name, c.revoked_ns.is_(None))).first()
    return None if row is None else _holder(row)


def digest(token: str) -> str:
    """Return the digest that is stored of a token or cookie."""
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


SESSION_NS: Final = 14 * 86_400 * 1_000_000_000
"""How long a session lasts: two weeks, so that a phone in a cab need not sign in every morning."""


def begin_session(connection: Connection, holder: Holder, now: Instant) -> str:
    """Begin a session and delete expired ones; return its cookie, which is stored nowhere."""
    connection.execute(delete(sessions).where(sessions.c.ends_ns <= now))
    cookie = secrets.token_urlsafe(32)
    row = {"digest": digest(cookie), "who": holder.name, "ends_ns": now + SESSION_NS}
    connection.execute(insert(sessions).values(row))
    return cookie


def session_holder(connection: Connection, cookie: str, now: Instant) -> Holder | None:
    """Return who is signed in with a cookie; None if nobody is."""
    query = _HOLDER.join(sessions, sessions.c.who == tokens.c.who).where(
        sessions.c.digest == digest(cookie), sessions.c.ends_ns > now, tokens.c.revoked_ns.is_(None)
    )
    row = connection.execute(query).first()
    return None if row is None else _holder(row)


def end_session(connection: Connection, cookie: str) -> None:
    """End a session (sign out)."""
    connection.execute(delete(sessions).where(sessions.c.digest == digest(cookie)))


_c = tokens.c
_HOLDER: Final = select(_c.who, _c.role, _c.made_ns, _c.revoked_ns, _c.sites, _c.digest).select_from(tokens)


def _holder(row: Sequence[Any]) -> Holder:
    name, role, made, revoked, sites, _digest = row
    return Holder(name, role, made, revoked, None if sites is None else frozenset(json.loads(sites)))
