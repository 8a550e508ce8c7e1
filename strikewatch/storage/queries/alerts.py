"""Search alerts, each with its present state.

`ORDERS`: the newest onset first; or by gravity: active ones first, then by priority, then unacknowledged ones first,
then the oldest first.
"""

import json
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

from sqlalchemy import ColumnElement, Connection, and_, case, func, or_, select

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.engine.alarm_kpis import Interval
from strikewatch.engine.lifecycle import ACTIVE, OPEN, STATES, Shelf, State
from strikewatch.errors import Unknown
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import AlertKey, Stay
from strikewatch.storage.queries.sites import Sites, of_sites
from strikewatch.storage.schema.alarm_tables import OPEN as NOT_NORMAL
from strikewatch.storage.schema.alarm_tables import handling, history
from strikewatch.storage.schema.tables import alerts, hammer_state

if TYPE_CHECKING:
    from strikewatch.core.batch import Key

MAX_NAMED: Final = 5
"""How many alerts an error message names where an id is ambiguous."""
Order = Literal["newest", "gravity"]
_RANK: Final = case({name: rank for rank, name in enumerate(PRIORITIES)}, value=alerts.c.priority)
ORDERS: Final[dict[Order, tuple[ColumnElement[Any], ...]]] = {
    "newest": (alerts.c.onset_ns.desc(), alerts.c.id),
    "gravity": (
        handling.c.state.in_(sorted(ACTIVE)).desc(),
        _RANK.desc(),
        (handling.c.state == "unacknowledged").desc(),
        alerts.c.onset_ns,
        alerts.c.id,
    ),
}


@dataclass(frozen=True, slots=True)
class Filter:
    """Which alerts to search for; None: any. Onsets are in [`since`, `before`). `states` None: the open ones.

    `sites`: those that the searching person may see. `unassigned`: only those of nobody who was signed on.
    `ignore_case`: of the ids of hammer and operator, as people type them. `after`: only those that follow this
    alert in the order `newest`.
    """

    site: str | None = None
    hammer: str | None = None
    fault: str | None = None
    operator: str | None = None
    priority: Priority | None = None
    since: Instant | None = None
    states: Collection[State] | None = None
    before: Instant | None = None
    sites: Sites = None
    unassigned: bool = False
    ignore_case: bool = False
    after: AlertKey | None = None


@dataclass(frozen=True, slots=True)
class ListedAlert:
    """An alert's record with its state, when that began, how it was sent, and why it is suppressed."""

    record: dict[str, Any]
    state: State
    since: Instant
    sent_as: str
    shelf: Shelf | None = None
    stay: Stay | None = None

    def json(self) -> dict[str, Any]:
        """Return the JSON object that the API and commands give out."""
        shelf, stay = self.shelf, self.stay
        return {
            **self.record,
            "state": self.state,
            "since": instant.text(self.since),
            "sent_as": self.sent_as or None,
            "told": self.sent_as or None,  # the earlier name
            "shelf": shelf
            and {
                "until": instant.text(shelf.until),
                "by": shelf.by,
                "reason": shelf.reason,
                "upto": shelf.upto,
            },
            "out_of_service": stay
            and {"until": stay.until and instant.text(stay.until), "by": stay.by, "reason": stay.reason},
        }


def find(connection: Connection, start: str, site: str | None = None, sites: Sites = None) -> AlertKey:
    """Return the key of the only alert at `sites` whose id begins with `start`.

    Raises Unknown for none or several.
    """
    if not start or not set(start) <= set("0123456789abcdef"):
        raise Unknown(
            f"{start!r} is not an alert's id or the beginning of one; `strikewatch alerts` lists them"
        )
    c = alerts.c
    query = select(c.site, c.id).where(c.id >= start, c.id < start + "g").order_by(c.id, c.site)
    query = query.where(*of_sites(c.site, sites))
    if site is not None:
        query = query.where(c.site == site)
    keys = [(at, alert_id) for at, alert_id in connection.execute(query.limit(MAX_NAMED + 1))]
    if not keys:
        where = "" if site is None else f" at {site}"
        raise Unknown(f"no alert{where} has an id that begins with {start}; `strikewatch alerts` lists them")
    if len(keys) > 1:
        some = ", ".join(f"{alert_id} at {at}" for at, alert_id in keys[:MAX_NAMED])
        more = " and more" if len(keys) > MAX_NAMED else ""
        raise Unknown(f"several ids begin with {start}: {some}{more}; give more of the id, or the site")
    return keys[0]


def find_hammer(connection: Connection, hammer: str, site: str | None = None, sites: Sites = None) -> "Key":
    """Return the key of the only hammer of that name at `sites` that ever sent data.

    Raises Unknown for none or several.
    """
    c = hammer_state.c
    all_known = select(c.site, c.hammer).where(*of_sites(c.site, sites)).order_by(c.site, c.hammer)
    known = [(at, name) for at, name in connection.execute(all_known)]
    fitting = [key for key in known if key[1] == hammer and site in (None, key[0])]
    if len(fitting) > 1:
        raise Unknown(f"{hammer} is at {', '.join(at for at, _ in fitting)}; name the site")
    if not fitting:
        listed = ", ".join("/".join(key) for key in known[:50]) or "none yet"
        where = "" if site is None else f" at {site}"
        raise Unknown(f"no data ever came from a hammer {hammer}{where}; known hammers: {listed}")
    return fitting[0]


def look_up(connection: Connection, name: AlertKey) -> ListedAlert:
    """Return one alert by its key."""
    c = alerts.c
    return _listed(connection, c.site == name[0], c.id == name[1])[0]


def search(
    connection: Connection, wanted: Filter, limit: int | None = None, order: Order = "newest"
) -> list[ListedAlert]:
    """Return the matching alerts; without a limit, all of them."""
    return _listed(connection, *_conditions(wanted), limit=limit, order=order)


def count(connection: Connection, wanted: Filter) -> int:
    """Count the matching alerts."""
    same = and_(alerts.c.site == handling.c.site, alerts.c.id == handling.c.id)
    query = select(func.count()).select_from(handling).join(alerts, same).where(*_conditions(wanted))
    return int(connection.scalar(query) or 0)


@dataclass(frozen=True, slots=True)
class Facet:
    """How many alerts have the same site, hammer, operator, fault, priority and state."""

    site: str
    hammer: str
    operator: str | None
    fault: str
    priority: Priority
    state: State
    count: int


def facets(connection: Connection, wanted: Filter) -> list[Facet]:
    """Count the matching alerts, in any state, by what they can be filtered by."""
    c = alerts.c
    columns = (c.site, c.hammer, c.operator, c.fault, c.priority)
    conditions = _conditions(replace(wanted, states=STATES))
    # Nearly all alerts are normal. So all are counted by an index alone, and only the others are joined with their
    # state. With the site first, SQLite would go through all alerts, whatever the time asked for.
    groups = columns[::-1]
    every = select(*columns, func.count()).where(*conditions).group_by(*groups)
    same = and_(c.site == handling.c.site, c.id == handling.c.id)
    not_normal = (
        select(*columns, handling.c.state, func.count())
        .select_from(handling)
        .join(alerts, same)
        .where(*conditions, NOT_NORMAL)
        .group_by(*groups, handling.c.state)
    )
    normal = Counter({row[:-1]: row[-1] for row in map(tuple, connection.execute(every))})
    found = [Facet(*row) for row in connection.execute(not_normal)]
    for one in found:
        normal[one.site, one.hammer, one.operator, one.fault, one.priority] -= one.count
    return found + [
        Facet(site, hammer, operator, fault, priority, "normal", n)
        for (site, hammer, operator, fault, priority), n in normal.items()
        if n > 0
    ]


def _conditions(wanted: Filter) -> list[table.Condition]:
    c = alerts.c
    pairs = (
        (c.site, wanted.site),
        (c.fault, wanted.fault),
        (c.priority, wanted.priority),
    )
    conditions: list[table.Condition] = [column == value for column, value in pairs if value is not None]
    for column, name in ((c.hammer, wanted.hammer), (c.operator, wanted.operator)):
        if name is not None:
            same = func.lower(column) == name.lower() if wanted.ignore_case else column == name
            conditions.append(same)
    if wanted.unassigned:
        conditions.append(c.operator.is_(None))
    conditions += of_sites(c.site, wanted.sites)
    if wanted.since is not None:
        conditions.append(c.onset_ns >= wanted.since)
    if wanted.before is not None:
        conditions.append(c.onset_ns < wanted.before)
    if wanted.after is not None:
        site, alert_id = wanted.after
        last = alerts.alias("last").c
        onset = select(last.onset_ns).where(last.site == site, last.id == alert_id).scalar_subquery()
        conditions += (c.onset_ns <= onset, or_(c.onset_ns < onset, c.id > alert_id))
    states = OPEN if wanted.states is None else wanted.states
    if not {*STATES} <= {*states}:
        conditions.append(handling.c.state.in_(sorted(states)))
    if "normal" not in states:
        conditions.append(NOT_NORMAL)
    return conditions


def history_of(connection: Connection, name: AlertKey) -> list[dict[str, Any]]:
    """Return an alert's history for JSON, oldest line first."""
    c = history.c
    query = (
        select(c.at_ns, c.who, c.event, c.why, c.from_state, c.to_state)
        .where(c.site == name[0], c.alert_id == name[1])
        .order_by(c.seq)
    )
    return [
        {"at": instant.text(at), "by": who, "event": event, "why": why, "from": before, "to": after}
        for at, who, event, why, before, after in connection.execute(query)
    ]


def intervals(
    connection: Connection, before: Instant, sites: Sites = None, since: Instant | None = None
) -> dict[str, list[Interval]]:
    """Return, by site, the interval of every alert with an onset before an instant, withdrawn ones excepted.

    With `since`, only of those that were active at it or later.
    """
    c = alerts.c
    query = (
        select(c.site, c.hammer, c.fault, c.priority, c.onset_ns, c.cleared_ns, c.record)
        .where(c.onset_ns < before, *of_sites(c.site, sites))
        .order_by(c.site)
    )
    if since is not None:
        query = query.where(or_(c.onset_ns >= since, c.cleared_ns.is_(None), c.cleared_ns >= since))
    found: dict[str, list[Interval]] = {}
    for site, *interval, record in connection.execute(query):
        if '"withdrawn"' not in record or "withdrawn" not in json.loads(record)["evidence"]:
            found.setdefault(site, []).append(Interval(*interval))
    return found


def _listed(
    connection: Connection, *conditions: table.Condition, limit: int | None = None, order: Order = "newest"
) -> list[ListedAlert]:
    _, shelves, workshop = table.load(connection)
    c = handling.c
    query = (
        select(alerts.c.record, c.site, c.hammer, c.fault, c.state, c.since_ns, c.sent_as)
        .join_from(handling, alerts, and_(alerts.c.site == c.site, alerts.c.id == c.id))
        .where(*conditions)
        .order_by(*ORDERS[order])
        .limit(limit)
    )
    return [
        ListedAlert(
            json.loads(record),
            state,
            since,
            sent_as,
            shelves.get((site, hammer, fault)) if state == "shelved" else None,
            workshop.get((site, hammer)) if state == "out_of_service" else None,
        )
        for record, site, hammer, fault, state, since, sent_as in connection.execute(query)
    ]
