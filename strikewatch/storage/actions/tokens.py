"""Bearer tokens: 256 random bits each, of which only a digest is kept.

A plain SHA-256 suffices: what is random over 256 bits cannot be guessed from its digest, unlike a password.
"""

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from typing import Final, Literal

from sqlalchemy import Connection, func, insert, select, update

from strikewatch.core.instant import Instant
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.schema.access_tables import tokens

Role = Literal["view", "act", "review"]
ROLES: Final[tuple[Role, ...]] = ("view", "act", "review")
"""Each may do what those before it may."""
_MARK: Final = "sw_"
"""Lets scanners for leaked secrets, and people, see what it is."""
_NAME: Final = 100


@dataclass(frozen=True, slots=True)
class Holder:
    """Whom a token was made for. `revoked` None: it is good."""

    name: str
    role: Role
    made: Instant
    revoked: Instant | None

    def may(self, role: Role) -> bool:
        return ROLES.index(self.role) >= ROLES.index(role)


def add(connection: Connection, name: str, role: Role, now: Instant) -> str:
    """Make a token; what is returned is kept nowhere. Raises Refused where the name has been used."""
    if name != name.strip() or not 1 <= len(name) <= _NAME or not name.isprintable():
        raise Refused(f"a name has 1 to {_NAME} printable characters, and none that is blank at its ends")
    if connection.scalar(select(tokens.c.who).where(tokens.c.who == name)) is not None:
        raise Refused(
            f"a token was made for {name} before; choose another name, so that the record stays clear"
        )
    token = _MARK + secrets.token_urlsafe(32)
    row = {"who": name, "role": role, "digest": digest(token), "made_ns": now}
    connection.execute(insert(tokens).values(row))
    return token


def revoke(connection: Connection, name: str, now: Instant) -> bool:
    """Make a token worthless; whether it was good till now. Raises Unknown where there is none."""
    if name not in {one.name for one in holders(connection)}:
        raise Unknown(f"no token was made for {name!r}; `strikewatch token list` names them")
    c = tokens.c
    done = update(tokens).where(c.who == name, c.revoked_ns.is_(None)).values(revoked_ns=now)
    return connection.execute(done).rowcount == 1


def holders(connection: Connection) -> list[Holder]:
    """Everybody that a token was ever made for, by name."""
    c = tokens.c
    asked = select(c.who, c.role, c.made_ns, c.revoked_ns).order_by(c.who)
    return [Holder(*row) for row in connection.execute(asked)]


def any_made(connection: Connection) -> bool:
    """Whether a token was ever made, good or revoked."""
    return connection.scalar(select(func.count()).select_from(tokens)) != 0


def whose(connection: Connection, token: str) -> Holder | None:
    """Who holds a token. Every digest is compared, each in the same time whatever the token."""
    c = tokens.c
    given, found = digest(token), None
    asked = select(c.digest, c.who, c.role, c.made_ns, c.revoked_ns).where(c.revoked_ns.is_(None))
    for kept, *row in connection.execute(asked):
        if hmac.compare_digest(kept, given):
            found = Holder(*row)
    return found


def digest(token: str) -> str:
    """What is kept of it."""
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()
