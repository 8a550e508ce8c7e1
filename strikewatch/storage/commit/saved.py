"""Read what the last committed step has saved, for the processor to continue with after a restart."""

import json
from operator import itemgetter
from typing import Final

from sqlalchemy import Connection, func, select

from strikewatch.core.events import Event
from strikewatch.storage.commit.states import read_states
from strikewatch.storage.commit.step import Saved, SavedAlert
from strikewatch.storage.schema import tables

_a, _e = tables.alerts.c, tables.events.c
_OPEN_ALERTS: Final = (
    select(_a.record, _a.onset_ns, _a.cleared_ns, _a.ahead)
    .where(tables.OPEN)
    .order_by(_a.onset_ns, _a.site, _a.id)
)
_PENDING: Final = select(_e.seq, _e.site, _e.hammer, _e.kind, _e.time_ns, _e.fields).where(tables.PENDING)
_NEWEST: Final = (
    select(tables.arrived.c.received_ns).order_by(tables.arrived.c.seq.desc()).limit(1),
    select(func.max(tables.segments.c.written_ns)),
)
"""Wall time of the newest step in the spool, and of the newest one in a recording."""


def read_saved(connection: Connection) -> Saved:
    """Return the states of all hammers, the open alerts and the events that have not taken effect yet."""
    states = {(site, hammer): (layout, state) for site, hammer, layout, state in read_states(connection)}
    alerts = [SavedAlert(json.loads(record), *more) for record, *more in connection.execute(_OPEN_ALERTS)]
    # not ordered by SQL: SQLite would then scan the whole history
    pending = sorted(connection.execute(_PENDING), key=itemgetter(0))
    events = [
        # in order of arrival: a correction follows the entry that it corrects
        Event(site, hammer, kind, at, json.loads(fields))
        for _, site, hammer, kind, at, fields in pending
    ]
    return Saved(states, alerts, events, max(connection.scalar(newest) or 0 for newest in _NEWEST))
