"""Rows of the handling of alerts, read into the words of `engine.lifecycle` and written back."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, TextClause, bindparam, null, select, union_all

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import (
    ACTIVE,
    SUPPRESSED,
    Handling,
    HistoryEntry,
    LifecycleEvent,
    Shelf,
    step,
)
from strikewatch.storage.commit.statements import Question, Several, newest, plain
from strikewatch.storage.schema.alarm_tables import handling, history, shelves, workshop

Name = tuple[str, str]
"""Site and id of an alert."""
Point = tuple[str, str, str]
"""Site, hammer and fault: what a shelf is for."""

Condition = ColumnElement[bool] | TextClause


@dataclass(slots=True)
class Row:
    """The handling of one alert; the columns of the table, with state, priority and shelf as a `Handling`."""

    site: str
    id: str
    hammer: str
    fault: str
    onset: Instant
    handling: Handling
    since: Instant
    told: str = ""
    told_priority: str = ""
    counts: str = ""
    storm: int | None = None
    held: bool = False
    due: Instant | None = None

    @property
    def name(self) -> Name:
        return self.site, self.id

    @property
    def point(self) -> Point:
        return self.site, self.hammer, self.fault

    @property
    def grown(self) -> bool:
        """Whether it is of higher priority than anybody was told."""
        return not self.told_priority or rank(self.handling.priority) > rank(self.told_priority)

    def apply(self, event: LifecycleEvent) -> HistoryEntry | None:
        """See an event through; the line for the history, if anything has changed. Raises Refused.

        What is put aside is held no more; what comes back is due for a look.
        """
        before = self.handling.state
        self.handling, entry = step(self.handling, event)
        after = self.handling.state
        if after != before:
            self.since = event.at
        if after in SUPPRESSED and before not in SUPPRESSED:
            self.held, self.due = False, None
            self.counts = self.told and self.counts
        elif before in SUPPRESSED and after in ACTIVE - SUPPRESSED:
            self.due = event.at
        return entry


@dataclass(frozen=True, slots=True)
class Stay:
    """A hammer's stay in the workshop; `until` None: until somebody puts it in service."""

    until: Instant | None
    by: str
    reason: str


def rank(priority: str) -> int:
    return PRIORITIES.index(priority)


def put_aside(connection: Connection) -> tuple[dict[Point, Shelf], dict[Key, Stay]]:
    """What is shelved, and which hammers are in the workshop."""
    shelved: dict[Point, Shelf] = {}
    stays: dict[Key, Stay] = {}
    for site, hammer, fault, until, who, reason, upto in _ASIDE.ask(connection):
        if fault is None:
            stays[site, hammer] = Stay(until, who, reason)
        else:
            shelved[site, hammer, fault] = Shelf(until, who, reason, upto)
    return shelved, stays


def named(connection: Connection, shelved: Mapping[Point, Shelf], names: Collection[Name]) -> dict[Name, Row]:
    """Those of the alerts that have a row."""
    ids: dict[str, list[str]] = {}
    for site, one in sorted(names):
        ids.setdefault(site, []).append(one)
    found = (_NAMED.ask(connection, some, site=site) for site, some in ids.items())
    rows = (_row(one, shelved) for some in found for one in some)
    return {row.name: row for row in rows}


def where(
    connection: Connection,
    shelved: Mapping[Point, Shelf],
    *conditions: Condition,
    limit: int | None = None,
) -> list[Row]:
    """Rows that meet the conditions, in onset order."""
    asked = select(handling).where(*conditions).order_by(handling.c.onset_ns, handling.c.id).limit(limit)
    return [_row(one, shelved) for one in connection.execute(asked)]


def write(connection: Connection, rows: Iterable[Row]) -> None:
    _ROW.run(connection, [_values(row) for row in rows])


def write_history(connection: Connection, entries: Iterable[tuple[Row, HistoryEntry]]) -> None:
    _ENTRY.run(connection, [line(row.point, row.id, entry) for row, entry in entries])


def line(point: Point, alert_id: str, entry: HistoryEntry) -> dict[str, Any]:
    """A line of the history as its columns."""
    site, hammer, fault = point
    return {
        "site": site,
        "hammer": hammer,
        "fault": fault,
        "alert_id": alert_id,
        "at_ns": entry.at,
        "who": entry.by,
        "event": entry.event,
        "why": entry.why,
        "from_state": entry.before,
        "to_state": entry.after,
    }


def _row(one: Sequence[Any], shelved: Mapping[Point, Shelf]) -> Row:
    (
        site,
        alert_id,
        hammer,
        fault,
        onset,
        state,
        since,
        priority,
        told,
        told_priority,
        counts,
        storm,
        held,
        due,
    ) = one
    shelf = shelved.get((site, hammer, fault)) if state == "shelved" else None
    now = Handling(state, priority, shelf)
    return Row(
        site, alert_id, hammer, fault, onset, now, since, told, told_priority, counts, storm, bool(held), due
    )


def _values(row: Row) -> dict[str, Any]:
    return {
        "site": row.site,
        "id": row.id,
        "hammer": row.hammer,
        "fault": row.fault,
        "onset_ns": row.onset,
        "state": row.handling.state,
        "since_ns": row.since,
        "priority": row.handling.priority,
        "told": row.told,
        "told_priority": row.told_priority,
        "counts": row.counts,
        "storm": row.storm,
        "held": row.held,
        "due_ns": row.due,
    }


_ROW: Final = newest(handling, ["site", "id"])
_ENTRY: Final = plain(history)
_NAMED: Final = Several(
    lambda ids: select(handling).where(handling.c.site == bindparam("site"), handling.c.id.in_(ids))
)
_s, _w = shelves.c, workshop.c
_ASIDE: Final = Question(
    union_all(
        select(_s.site, _s.hammer, _s.fault, _s.until_ns, _s.who, _s.reason, _s.upto),
        select(_w.site, _w.hammer, null(), _w.until_ns, _w.who, _w.reason, null()),
    )
)
