"""The session at the broker, as the database keeps it: its client id, and when the broker was last known to hold it."""

import json
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, select, update

from strikewatch.core.instant import Instant
from strikewatch.storage.commit import statements
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import SESSION_NUMBER, broker_session

PREFIX: Final = "strikewatch-"
RANDOM_BYTES: Final = 10


@dataclass(frozen=True, slots=True)
class SavedSession:
    """`client_id`: for settings that give none. `held`: wall time, None before the first connection.

    `filters`: topic filters that the session at the broker may have.
    """

    client_id: str
    held: Instant | None
    filters: tuple[str, ...] = ()


def new_client_id() -> str:
    """Return a client id that cannot be guessed: 80 random bits in 20 hexadecimal digits."""
    made = PREFIX + secrets.token_hex(RANDOM_BYTES)
    return new_client_id() if is_guessable(made) else made  # 20 digits without a letter look like a number


def is_guessable(client_id: str) -> bool:
    """Return whether a client id does not look random: fewer than 16 characters in parts with letters and digits."""
    parts = re.split(r"[._\-]+", client_id)
    return sum(len(part) for part in parts if re.search(r"\d", part) and re.search(r"[A-Za-z]", part)) < 16


def read_session(connection: Connection) -> SavedSession | None:
    """Return what the database keeps of the session; None before the processor's first start."""
    c = broker_session.c
    query = select(c.client_id, c.held_ns, c.filters).where(c.number == SESSION_NUMBER)
    row = connection.execute(query).one_or_none()
    return None if row is None else SavedSession(row[0], row[1], tuple(json.loads(row[2] or "[]")))


def load_session(store: Store) -> SavedSession:
    """Return what the database keeps of the session; make a client id at the first call. Raises StoreError."""
    with store.read() as connection:
        found = read_session(connection)
    if found is not None:
        return found
    made = SavedSession(new_client_id(), None)
    with store.write() as connection:
        connection.execute(
            broker_session.insert(), {"number": SESSION_NUMBER, "client_id": made.client_id, "held_ns": None}
        )
    return made


def save_held(store: Store, held: Instant) -> None:
    """Save that the broker held the session at the wall time `held`. Raises StoreError."""
    with store.write() as connection:
        connection.execute(statements.SESSION_HELD, {"held": held})


def save_filters(store: Store, filters: Iterable[str]) -> None:
    """Save the topic filters that the session at the broker may have from now on. Raises StoreError."""
    c = broker_session.c
    with store.write() as connection:
        connection.execute(
            update(broker_session)
            .where(c.number == SESSION_NUMBER)
            .values(filters=json.dumps(sorted(filters)))
        )
