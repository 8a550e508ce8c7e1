"""The rows of an alert: its record, its handling (read into the types of `engine.lifecycle`), and its history."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import ColumnElement, Connection, TextClause, bindparam, null, select, union_all

from strikewatch.core.alert import PRIORITIES, Change, to_json
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
from strikewatch.storage.commit.prepared import PreparedListQuery, PreparedQuery, insert_new, upsert
from strikewatch.storage.schema.alarm_tables import handling, history, shelves, workshop
from strikewatch.storage.schema.tables import alerts

if TYPE_CHECKING:
    from strikewatch.core.batch import Key

AlertKey = tuple[str, str]
"""Site and id of an alert."""
ShelfKey = tuple[str, str, str]
"""Site, hammer and fault that a shelf is for."""

Condition = ColumnElement[bool] | TextClause


@dataclass(slots=True)
class HandlingRow:
    """The handling of one alert: the table's columns, with state, priority and shelf as a `Handling`.

    `sent_as` is "", "alone" or "digest".
    """

    site: str
    id: str
    hammer: str
    fault: str
    onset: Instant
    handling: Handling
    since: Instant
    sent_as: str = ""
    sent_priority: str = ""
    counts: str = ""
    storm: int | None = None
    held: bool = False
    due: Instant | None = None

    @property
    def name(self) -> AlertKey:
        return self.site, self.id

    @property
    def shelf_key(self) -> ShelfKey:
        return self.site, self.hammer, self.fault

    @property
    def exceeds_sent_priority(self) -> bool:
        """Return whether the priority is higher than the highest that was sent."""
        return not self.sent_priority or priority_rank(self.handling.priority) > priority_rank(
            self.sent_priority
        )

    def apply(self, event: LifecycleEvent) -> HistoryEntry | None:
        """Apply an event; return the line for the history if it changed anything. Raises Refused.

        A newly suppressed alert is no longer held; an alert that is no longer suppressed is due at once.
        """
        before = self.handling.state
        self.handling, entry = step(self.handling, event)
        after = self.handling.state
        if after != before:
            self.since = event.at
        if after in SUPPRESSED and before not in SUPPRESSED:
            self.held, self.due = False, None
            self.counts = self.sent_as and self.counts
        elif before in SUPPRESSED and after in ACTIVE - SUPPRESSED:
            self.due = event.at
        return entry


@dataclass(frozen=True, slots=True)
class Stay:
    """The time a hammer is out of service; `until` None: until someone puts it in service."""

    until: Instant | None
    by: str
    reason: str


def priority_rank(priority: str) -> int:
    return PRIORITIES.index(priority)


def load(
    connection: Connection, names: Collection[AlertKey] = ()
) -> "tuple[dict[AlertKey, HandlingRow], dict[ShelfKey, Shelf], dict[Key, Stay]]":
    """Load all suppressions, and the rows of alerts by key; alerts without a row are left out.

    Suppressions are the shelves, and the hammers that are out of service.
    """
    ids: dict[str, list[str]] = {}
    for site, alert_id in sorted(names):
        ids.setdefault(site, []).append(alert_id)
    suppressions = _SUPPRESSIONS.fetch(connection)
    found = [_BY_ID.fetch(connection, site_ids, site=site) for site, site_ids in ids.items()]
    shelved: dict[ShelfKey, Shelf] = {}
    stays: dict[Key, Stay] = {}
    for site, hammer, fault, until, who, reason, upto in suppressions:
        if fault is None:
            stays[site, hammer] = Stay(until, who, reason)
        else:
            shelved[site, hammer, fault] = Shelf(until, who, reason, upto)
    rows = {(columns[0], columns[1]): _row(columns, shelved) for site_rows in found for columns in site_rows}
    return rows, shelved, stays


def find_rows(
    connection: Connection,
    shelved: Mapping[ShelfKey, Shelf],
    *conditions: Condition,
    limit: int | None = None,
) -> list[HandlingRow]:
    """Load the rows that meet the conditions, in onset order."""
    query = select(handling).where(*conditions).order_by(handling.c.onset_ns, handling.c.id).limit(limit)
    return [_row(columns, shelved) for columns in connection.execute(query)]


def write(
    connection: Connection,
    rows: Iterable[HandlingRow],
    entries: Iterable[tuple[HandlingRow, HistoryEntry]] = (),
    changes: Iterable[Change] = (),
    now: Instant = 0,
) -> None:
    """Write rows with the new lines of their history, and the records of alerts that changed at the wall time `now`."""
    handled = [_values(row) for row in rows]
    lines = [history_row(row.shelf_key, row.id, entry) for row, entry in entries]
    _ALERT.run(connection, [alert_row(change, now) for change in changes])
    _HANDLING.run(connection, handled)
    _HISTORY.run(connection, lines)


def alert_row(change: Change, now: Instant) -> dict[str, Any]:
    """Return the columns of an alert's record."""
    record = change.record
    return {
        "site": change.site,
        "id": change.alert_id,
        "hammer": change.hammer,
        "fault": record["fault"],
        "operator": record["operator"],
        "priority": record["priority"],
        "onset_ns": change.onset,
        "cleared_ns": change.cleared,
        "historic": record["historic"],
        "ahead": change.provisional,
        "record": to_json(record),
        "first_seen_ns": now,
        "updated_ns": now,
    }


def history_row(shelf_key: ShelfKey, alert_id: str, entry: HistoryEntry) -> dict[str, Any]:
    """Return the columns of a line of the history."""
    site, hammer, fault = shelf_key
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


def _row(columns: Sequence[Any], shelved: Mapping[ShelfKey, Shelf]) -> HandlingRow:
    site, alert_id, hammer, fault, onset, state, since, priority, *more = columns
    shelf = shelved.get((site, hammer, fault)) if state == "shelved" else None
    current = Handling(state, priority, shelf)
    sent_as, sent_priority, counts, storm, held, due = more
    return HandlingRow(
        *(site, alert_id, hammer, fault, onset, current, since),
        *(sent_as, sent_priority, counts, storm, bool(held), due),
    )


def _values(row: HandlingRow) -> dict[str, Any]:
    return {
        "site": row.site,
        "id": row.id,
        "hammer": row.hammer,
        "fault": row.fault,
        "onset_ns": row.onset,
        "state": row.handling.state,
        "since_ns": row.since,
        "priority": row.handling.priority,
        "sent_as": row.sent_as,
        "sent_priority": row.sent_priority,
        "counts": row.counts,
        "storm": row.storm,
        "held": row.held,
        "due_ns": row.due,
    }


_ALERT: Final = upsert(alerts, ["site", "id"], keep=["first_seen_ns"])
_HANDLING: Final = upsert(handling, ["site", "id"])
_HISTORY: Final = insert_new(history)
_BY_ID: Final = PreparedListQuery(
    lambda ids: select(handling).where(handling.c.site == bindparam("site"), handling.c.id.in_(ids))
)
_s, _w = shelves.c, workshop.c
_SUPPRESSIONS: Final = PreparedQuery(
    union_all(
        select(_s.site, _s.hammer, _s.fault, _s.until_ns, _s.who, _s.reason, _s.upto),
        select(_w.site, _w.hammer, null(), _w.until_ns, _w.who, _w.reason, null()),
    )
)
