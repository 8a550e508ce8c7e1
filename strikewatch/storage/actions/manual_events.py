"""Events that people have entered, at the page or by a command: the processor takes them up with its next look.

All others come with the hammer's messages, and are known to it before the database has them.
"""

import json

from sqlalchemy import func, select

from strikewatch.core.events import Event
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import events


class Noted:
    """What has been noted since the last look; begins with what is there when it is made."""

    def __init__(self, store: Store) -> None:
        self._store = store
        with store.read() as connection:
            self._seen = connection.scalar(select(func.max(events.c.seq))) or 0

    def take(self) -> list[Event]:
        """The new ones, oldest first. Raises StoreError."""
        c = events.c
        wanted = select(c.seq, c.site, c.hammer, c.kind, c.time_ns, c.fields).where(
            c.seq > self._seen, c.who.is_not(None), c.applied_ns.is_(None)
        )
        with self._store.read() as connection:
            rows = connection.execute(wanted.order_by(c.seq)).all()
        if rows:
            self._seen = rows[-1].seq
        return [Event(row.site, row.hammer, row.kind, row.time_ns, json.loads(row.fields)) for row in rows]
