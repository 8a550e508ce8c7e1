"""Rows of the handling of alerts, read into the words of `alarm.lifecycle` and written back."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, TextClause, select

from strikewatch.alarm.lifecycle import ASIDE, STANDING, Entry, Event, Handling, Shelf, step
from strikewatch.model.alert import PRIORITIES, Priority
from strikewatch.model.batch import Key
from strikewatch.model.instant import Instant
from strikewatch.store.alarm_tables import handling, history, shelves, workshop
from strikewatch.store.statements import newest, plain

Name = tuple[str, str]
"""Site and id of an alert."""
Point = tuple[str, str, str]
"""Site, hammer and fault: what a shelf is for."""

Condition = ColumnElement[bool] | TextClause

PAGE: Final = 500


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

    def apply(self, event: Event) -> Entry | None:
        """See an event through; the line for the history, if anything has changed. Raises Refused.

        What is put aside is held no more; what comes back is due for a look.
        """
        before = self.handling.state
        self.handling, entry = step(self.handling, event)
        after = self.handling.state
        if after != before:
            self.since = event.at
        if after in ASIDE and before not in ASIDE:
            self.held, self.due = False, None
            self.counts = self.told and self.counts
        elif before in ASIDE and after in STANDING - ASIDE:
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


def read_shelves(connection: Connection) -> dict[Point, Shelf]:
    c = shelves.c
    found = connection.execute(select(c.site, c.hammer, c.fault, c.until_ns, c.who, c.reason, c.upto))
    return {(site, hammer, fault): Shelf(*rest) for site, hammer, fault, *rest in found}


def read_workshop(connection: Connection) -> dict[Key, Stay]:
    c = workshop.c
    found = connection.execute(select(c.site, c.hammer, c.until_ns, c.who, c.reason))
    return {(site, hammer): Stay(*rest) for site, hammer, *rest in found}


def named(connection: Connection, shelved: Mapping[Point, Shelf], names: Collection[Name]) -> dict[Name, Row]:
    """Those of the alerts that have a row."""
    ids = sorted({one for _, one in names})
    rows: dict[Name, Row] = {}
    for k in range(0, len(ids), PAGE):
        found = where(connection, shelved, handling.c.id.in_(ids[k : k + PAGE]))
        rows |= {row.name: row for row in found if row.name in names}
    return rows


def where(
    connection: Connection,
    shelved: Mapping[Point, Shelf],
    *conditions: Condition,
    limit: int | None = None,
) -> list[Row]:
    """Rows that meet the conditions, in onset order."""
    asked = select(handling).where(*conditions).order_by(handling.c.onset_ns, handling.c.id).limit(limit)
    return [_row(one, shelved) for one in connection.execute(asked).mappings()]


def write(connection: Connection, rows: Iterable[Row]) -> None:
    _ROW.run(connection, [_values(row) for row in rows])


def write_history(connection: Connection, entries: Iterable[tuple[Row, Entry]]) -> None:
    _ENTRY.run(connection, [line(row.point, row.id, entry) for row, entry in entries])


def line(point: Point, alert_id: str, entry: Entry) -> dict[str, Any]:
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


def _row(one: Mapping[Any, Any], shelved: Mapping[Point, Shelf]) -> Row:
    point = one["site"], one["hammer"], one["fault"]
    priority: Priority = one["priority"]
    shelf = shelved.get(point) if one["state"] == "shelved" else None
    return Row(
        one["site"],
        one["id"],
        one["hammer"],
        one["fault"],
        one["onset_ns"],
        Handling(one["state"], priority, shelf),
        one["since_ns"],
        one["told"],
        one["told_priority"],
        one["counts"],
        one["storm"],
        bool(one["held"]),
        one["due_ns"],
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
