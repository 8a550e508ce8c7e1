"""Alerts as they are now: active ones, those that ended without being acknowledged, and everything that is muted.

The ended ones are grouped by hammer and fault: where nobody acknowledges them there may be thousands.
"""

import json
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

from sqlalchemy import Connection, and_, bindparam, case, func, select

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED, State
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.sites import Sites, of_sites
from strikewatch.storage.schema.alarm_tables import OPEN, handling, shelves, workshop
from strikewatch.storage.schema.tables import alerts, hammer_state

_h: Final = handling.c
_SAME: Final = and_(alerts.c.site == _h.site, alerts.c.id == _h.id)
_ACTIVE: Final = (
    select(_h.site, _h.hammer, _h.id, _h.state, _h.since_ns, _h.sent_as, _h.held, alerts.c.updated_ns)
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
        _h.sent_as != "",
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


def ended_groups(connection: Connection, sites: Sites = None) -> list[EndedGroup]:
    """Return all groups, highest priority first, then newest first."""
    query = _ENDED.where(*of_sites(_h.site, sites))
    return [
        EndedGroup(site, hammer, fault, n, PRIORITIES[rank], last, by)
        for site, hammer, fault, n, rank, last, by in connection.execute(query)
    ]


def known_sites(connection: Connection, sites: Sites = None) -> list[str]:
    """Return the sites that ever sent data, sorted."""
    c = hammer_state.c
    return list(
        connection.scalars(select(c.site).distinct().where(*of_sites(c.site, sites)).order_by(c.site))
    )


def counts(connection: Connection, sites: Sites = None) -> dict[tuple[State, Priority], int]:
    """Count the open alerts by state and priority."""
    query = _COUNTS.where(*of_sites(_h.site, sites))
    return {(state, priority): n for state, priority, n in connection.execute(query)}


def change_signature(connection: Connection) -> Iterator[tuple[Any, ...]]:
    """Yield rows that differ as soon as an open alert was added, removed or changed; cheaper than the alerts.

    Each begins with site and hammer.
    """
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


Kind = Literal["shelved", "out_of_service", "suppressed_by_design"]
KINDS: Final[tuple[Kind, ...]] = ("out_of_service", "shelved", "suppressed_by_design")
SETTINGS: Final = "settings"
"""The value of `by` for faults that the settings suppress."""


@dataclass(frozen=True, slots=True)
class Mute:
    """One shelf, one hammer out of service, or one fault suppressed by the settings. None: not limited by that field.

    `upto`: the highest priority that a shelf covers. `until` None: until someone ends it. `active`: how many active
    alerts it mutes now.
    """

    kind: Kind
    site: str | None
    hammer: str | None
    fault: str | None
    by: str
    reason: str
    since: Instant | None
    until: Instant | None
    upto: str | None
    active: int

    def json(self) -> dict[str, Any]:
        times = {"since": self.since, "until": self.until}
        return asdict(self) | {name: None if at is None else instant.text(at) for name, at in times.items()}


@dataclass(frozen=True, slots=True)
class SentCounts:
    """Counts of the alerts with an onset since an instant, by how they were sent.

    `waiting`: held for the next digest, or within their delay. `unsent`: muted, or ended within their delay.
    """

    alerts: int
    singly: int
    in_digests: int
    waiting: int
    unsent: int


def list_mutes(connection: Connection, suppressed: Collection[str], sites: Sites = None) -> list[Mute]:
    """List everything that is muted; `suppressed`: the faults that the settings suppress, at every site."""
    c = handling.c
    query = (
        select(c.state, c.site, c.hammer, c.fault, func.count())
        .where(OPEN, c.state.in_(KINDS))
        .group_by(c.state, c.site, c.hammer, c.fault)
    )
    active: Counter[tuple[str, ...]] = Counter()
    for state, site, hammer, fault, n in connection.execute(query.where(*of_sites(c.site, sites))):
        names = {
            "shelved": (state, site, hammer, fault),
            "out_of_service": (state, site, hammer),
            "suppressed_by_design": (state, fault),
        }
        active[names[state]] += n
    w, s = workshop.c, shelves.c
    stays = select(w.site, w.hammer, w.who, w.reason, w.since_ns, w.until_ns).order_by(w.site, w.hammer)
    shelved = select(s.site, s.hammer, s.fault, s.who, s.reason, s.since_ns, s.until_ns, s.upto)
    found: list[Mute] = []
    for site, hammer, by, why, since, until in connection.execute(stays.where(*of_sites(w.site, sites))):
        n = active["out_of_service", site, hammer]
        found.append(Mute("out_of_service", site, hammer, None, by, why, since, until, None, n))
    shelved = shelved.where(*of_sites(s.site, sites)).order_by(s.site, s.hammer, s.fault)
    for site, hammer, fault, by, why, since, until, upto in connection.execute(shelved):
        n = active["shelved", site, hammer, fault]
        found.append(Mute("shelved", site, hammer, fault, by, why, since, until, upto, n))
    # The settings may have changed while the processor was not running: list what is still suppressed, too.
    still = {name[1] for name in active if name[0] == "suppressed_by_design"}
    for fault in sorted({*suppressed} | still):
        n = active["suppressed_by_design", fault]
        reason = "alarms.suppressed"
        found.append(Mute("suppressed_by_design", None, None, fault, SETTINGS, reason, None, None, None, n))
    return found


def count_sent(connection: Connection, since: Instant, sites: Sites = None) -> SentCounts:
    """Count how the alerts with an onset since an instant were sent, withdrawn ones excepted."""
    c, a = handling.c, alerts.c
    waiting = c.held | (c.due_ns.is_not(None) & (c.sent_as == ""))
    query = (
        select(c.sent_as, waiting, func.count())
        .join_from(alerts, handling, and_(a.site == c.site, a.id == c.id))
        .where(
            a.site.in_(select(hammer_state.c.site).distinct()),
            *of_sites(a.site, sites),
            a.onset_ns >= since,
            a.record.not_like('%"withdrawn"%'),
        )
        .group_by(c.sent_as, waiting)
    )
    n: Counter[str] = Counter()
    for sent_as, waits, count in connection.execute(query):
        n["waiting" if waits else sent_as] += count
    return SentCounts(n.total(), n["alone"], n["digest"], n["waiting"], n[""])
