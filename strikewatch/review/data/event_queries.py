"""Read events from the database, without those that a later entry has corrected."""

import json
from collections.abc import Collection

from sqlalchemy import select

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import events


def read_events(
    place: DatabaseAccess, kinds: Collection[str], end: Instant, site: str | None = None
) -> list[Event]:
    """Return the events of these kinds that happened before `end`, at one site or all, oldest first."""
    c, later = events.c, events.alias()
    wanted = (
        select(c.site, c.hammer, c.kind, c.time_ns, c.fields, c.applied_ns)
        .where(c.kind.in_(kinds), c.time_ns < end)
        .where(~select(later.c.seq).where(later.c.corrects == c.seq).exists())
        .order_by(c.time_ns, c.seq)
    )
    with place.read() as connection:
        rows = connection.execute(wanted if site is None else wanted.where(c.site == site)).all()
    return [
        Event(at_site, hammer, kind, at, json.loads(fields), -1 if applied is None else applied)
        for at_site, hammer, kind, at, fields, applied in rows
    ]
