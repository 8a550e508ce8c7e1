"""The transaction of one action on alerts: events are applied to rows, and stored with their history."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, and_, delete

from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED, HistoryEntry, LifecycleEvent, Shelf, step
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import AlertKey, HandlingRow
from strikewatch.storage.commit.prepared import upsert
from strikewatch.storage.queries.alerts import ListedAlert, look_up
from strikewatch.storage.schema.alarm_tables import OPEN, handling, history, shelves

if TYPE_CHECKING:
    from strikewatch.core.batch import Key

_SHELF: Final = upsert(shelves, ["site", "hammer", "fault"])


@dataclass(frozen=True, slots=True)
class ActionResult:
    """The result of an action: the alert that it named, if any, as it is now, and how many alerts it changed."""

    alert: ListedAlert | None
    key: "Key"
    changed: int


class Transaction:
    """The transaction of one action."""

    def __init__(self, connection: Connection, now: Instant) -> None:
        self._connection = connection
        self._now = now
        _, self.shelves, self.workshop = table.load(connection)
        self.changed = 0

    def row(self, name: AlertKey) -> HandlingRow:
        return table.load(self._connection, {name})[0][name]

    def rows_of(self, what: tuple[str, ...]) -> list[HandlingRow]:
        """Return the open alerts of a hammer, or of one of its faults."""
        columns = (handling.c.site, handling.c.hammer, handling.c.fault)
        same = [column == value for column, value in zip(columns, what, strict=False)]
        return table.find_rows(self._connection, self.shelves, OPEN, *same)

    def shelve(self, name: AlertKey, until: Instant, by: str, reason: str) -> None:
        """Shelve an alert, and the open ones of its hammer and fault up to its priority."""
        named = self.row(name)
        shelf = Shelf(until, by, reason, named.handling.priority)
        event = LifecycleEvent("shelve", self._now, by, reason, shelf=shelf)
        step(named.handling, event)  # refuses an alert that has ended
        if self.shelves.get(named.shelf_key) != shelf:
            _SHELF.run(self._connection, [_shelf_row(named, shelf, self._now)])
            self.note(named.shelf_key, HistoryEntry(self._now, by, "shelve", reason, "normal", "shelved"))
        active = (
            row
            for row in self.rows_of(named.shelf_key)
            if row.handling.state in ACTIVE - SUPPRESSED | {"shelved"}
        )
        self.apply([row for row in active if shelf.covers(row.handling.priority)], event)

    def apply(self, rows: Iterable[HandlingRow], event: LifecycleEvent) -> None:
        """Apply an event to rows, and store the rows that it changed with their history."""
        changed: list[HandlingRow] = []
        entries: list[tuple[HandlingRow, HistoryEntry]] = []
        for row in rows:
            entry = row.apply(event)
            if entry is not None:
                entries.append((row, entry))
                changed.append(row)
        table.write(self._connection, changed, entries)
        self.changed += len(changed)

    def end_shelving(self, point: tuple[str, str, str], by: str, reason: str) -> None:
        c = shelves.c
        gone = and_(c.site == point[0], c.hammer == point[1], c.fault == point[2])
        if self._connection.execute(delete(shelves).where(gone)).rowcount:
            self.note(point, HistoryEntry(self._now, by, "unshelve", reason, "shelved", "normal"))
        self.apply(self.rows_of(point), LifecycleEvent("unshelve", self._now, by, reason))

    def note(self, point: tuple[str, str, str], entry: HistoryEntry) -> None:
        """Add a line to the history of a shelf or a hammer."""
        self._connection.execute(history.insert(), table.history_row(point, "", entry))

    def result(self, name: AlertKey) -> ActionResult:
        listed = look_up(self._connection, name)
        return ActionResult(listed, (listed.record["site"], listed.record["hammer"]), self.changed)


def _shelf_row(row: HandlingRow, shelf: Shelf, now: Instant) -> dict[str, Any]:
    return {
        "site": row.site,
        "hammer": row.hammer,
        "fault": row.fault,
        "until_ns": shelf.until,
        "who": shelf.by,
        "reason": shelf.reason,
        "upto": shelf.upto,
        "since_ns": now,
    }
