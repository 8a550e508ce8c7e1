"""What needs somebody now: how many alerts are active, and which ended ones nobody has acknowledged.

Ended ones are grouped by hammer and fault: where nobody acknowledges them there may be thousands.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, and_, case, func, select

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import ACTIVE, State
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


@dataclass(frozen=True, slots=True)
class Ended:
    """Alerts of one fault of one hammer that have ended and that nobody has acknowledged.

    `priority`: their highest. `last`: the newest onset. `ended_by`: when the last of them was seen to end (wall clock).
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


def ended(connection: Connection) -> list[Ended]:
    """All groups, the gravest first, then the newest."""
    return [
        Ended(site, hammer, fault, n, PRIORITIES[rank], last, by)
        for site, hammer, fault, n, rank, last, by in connection.execute(_ENDED)
    ]


def counts(connection: Connection) -> dict[tuple[State, Priority], int]:
    """How many open alerts there are in each state, of each priority."""
    return {(state, priority): n for state, priority, n in connection.execute(_COUNTS)}


def changes(connection: Connection) -> Iterator[tuple[Any, ...]]:
    """Rows that are others whenever an open alert has come, gone, or changed; cheaper than the alerts themselves."""
    for asked in (_ACTIVE, _ENDED):
        for row in connection.execute(asked):
            yield tuple(row)
