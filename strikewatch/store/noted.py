"""Events that another process has put into the database: the processor takes them up with its next look."""

import json
from typing import Final

from sqlalchemy import func, select

from strikewatch.model.events import Event
from strikewatch.store.store import Store
from strikewatch.store.tables import events

KIND: Final = "relearn"
"""All others come with the hammer's messages, and are known to the processor before the database has them."""


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
            c.seq > self._seen, c.kind == KIND, c.applied_ns.is_(None)
        )
        with self._store.read() as connection:
            rows = connection.execute(wanted.order_by(c.seq)).all()
        if rows:
            self._seen = rows[-1].seq
        return [Event(row.site, row.hammer, row.kind, row.time_ns, json.loads(row.fields)) for row in rows]
