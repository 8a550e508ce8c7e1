"""Events that people logged on the page or by a command, as the processor fetches them about once a second.

All other events arrive as messages; the processor has those before the database does.
"""

import json

from sqlalchemy import func, select

from strikewatch.core.events import Event
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import events


class ManualEvents:
    """The events logged since the last fetch, or since this object was created."""

    def __init__(self, store: Store) -> None:
        self._store = store
        with store.read() as connection:
            self._last_seq = connection.scalar(select(func.max(events.c.seq))) or 0

    def fetch_new(self) -> list[Event]:
        """Return the new events, oldest first. Raises StoreError."""
        c = events.c
        query = select(c.seq, c.site, c.hammer, c.kind, c.time_ns, c.fields).where(
            c.seq > self._last_seq, c.who.is_not(None), c.applied_ns.is_(None)
        )
        with self._store.read() as connection:
            rows = connection.execute(query.order_by(c.seq)).all()
        if rows:
            self._last_seq = rows[-1].seq
        return [Event(row.site, row.hammer, row.kind, row.time_ns, json.loads(row.fields)) for row in rows]
