"""Active alerts, and alerts that ended without being acknowledged.

The ended ones are grouped by hammer and fault: where nobody acknowledges them there may be thousands.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, and_, bindparam, case, func, select

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED, State
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.alarm_tables import OPEN, handling
from strikewatch.storage.schema.tables import alerts

_h: Final = handling.c
_SAME: Final = and_(alerts.c.site == _h.site, alerts.c.id == _h.id)
_ACTIVE: Final = (
    select(_h.site, _h.id, _h.state, _h.since_ns, _h.told, _h.held, alerts.c.updated_ns)
    .join_from(handling, alerts, _SAME)
    .where(OPEN, _h.state.in_(sorted(ACTIVE)))
    .order_by(_h.site, _h.id)
)
_COUNTS: Final = select(_h.state, _h.priority, func.count()).where(OPEN).group_by(_h.state, _h.priority)
_RANK: Final = case({name: rank for rank, name in enumerate(PRIORITIES)}, value=_h.priority)
_ENDED: Final = (
    select(
        _h.site,
        _h.hammer,
        _h.fault,
        func.count(),
        func.max(_RANK),
        func.max(_h.onset_ns),
        func.max(_h.since_ns),
    )
    .where(OPEN, _h.state == "returned_unacknowledged")
    .group_by(_h.site, _h.hammer, _h.fault)
    .order_by(func.max(_RANK).desc(), func.max(_h.onset_ns).desc(), _h.site, _h.hammer, _h.fault)
)

_SENT_RECORDS: Final = (
    select(alerts.c.record)
    .join_from(handling, alerts, _SAME)
    .where(
        OPEN,
        _h.site == bindparam("site"),
        _h.hammer == bindparam("hammer"),
        _h.state.in_(sorted(ACTIVE - SUPPRESSED)),
        _h.told != "",
    )
    .order_by(_h.onset_ns, _h.id)
)


@dataclass(frozen=True, slots=True)
class EndedGroup:
    """Alerts of one hammer and fault that have ended and are not acknowledged.

    `priority`: the highest of them. `last`: the newest onset. `ended_by`: wall time at which the last one ended.
    """

    site: str
    hammer: str
    fault: str
    count: int
    priority: Priority
    last: Instant
    ended_by: Instant

    def json(self) -> dict[str, Any]:
        return {
            "site": self.site,
            "hammer": self.hammer,
            "fault": self.fault,
            "count": self.count,
            "priority": self.priority,
            "last": instant.text(self.last),
            "ended_by": instant.text(self.ended_by),
        }


def ended_groups(connection: Connection) -> list[EndedGroup]:
    """Return all groups, highest priority first, then newest first."""
    return [
        EndedGroup(site, hammer, fault, n, PRIORITIES[rank], last, by)
        for site, hammer, fault, n, rank, last, by in connection.execute(_ENDED)
    ]


def counts(connection: Connection) -> dict[tuple[State, Priority], int]:
    """Count the open alerts by state and priority."""
    return {(state, priority): n for state, priority, n in connection.execute(_COUNTS)}


def change_signature(connection: Connection) -> Iterator[tuple[Any, ...]]:
    """Yield rows that differ as soon as an open alert was added, removed or changed; cheaper than the alerts."""
    for query in (_ACTIVE, _ENDED):
        for row in connection.execute(query):
            yield tuple(row)


def sent_records(database: DatabaseAccess, site: str, hammer: str) -> list[dict[str, Any]]:
    """Return the records of a hammer's active alerts that were sent and are not suppressed, in onset order."""
    with database.read() as connection:
        return [
            json.loads(record)
            for record in connection.scalars(_SENT_RECORDS, {"site": site, "hammer": hammer})
        ]
