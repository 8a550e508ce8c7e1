"""What is told of alerts, and what is held or put aside: the rules of `alarm`, applied to rows in a step's transaction.

Nothing of it is kept in memory, so a restart at any point changes nothing, and what another process wrote between two
steps (a person's shelf, a hammer out of service) is seen by the next.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import Connection, delete, exists, or_, select, tuple_

from strikewatch.core.alert import Change, Step
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Rules, Settings
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED, EventKind, Handling, HistoryEntry, LifecycleEvent
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import Name, Row
from strikewatch.storage.outbox.digests import Digest, come, take_due
from strikewatch.storage.outbox.floods import Storms
from strikewatch.storage.schema.alarm_tables import DUE, OPEN, STORM_DUE, handling, shelves, storms, workshop
from strikewatch.storage.schema.tables import alerts

PROCESSOR: Final = "strikewatch"
"""Who does what no person does."""


@dataclass(slots=True)
class Told:
    """What the endpoints are to be told, in this order: single changes of alerts, then digests."""

    changes: list[Change] = field(default_factory=list)
    digests: list[Digest] = field(default_factory=list)


def any_due(connection: Connection, alarms: Settings, now: Instant) -> bool:
    """Whether a look would change anything."""
    rules = Rules.of(alarms)
    waits = (
        exists().where(DUE, come(handling.c.due_ns, now, rules.longest_delay)),
        exists().where(STORM_DUE, come(storms.c.due_ns, now, rules.digest_every)),
        exists().where(shelves.c.until_ns <= now),
        exists().where(workshop.c.until_ns <= now),
        exists().where(*_free(alarms)),
    )
    return bool(connection.scalar(select(or_(*waits))))


def _free(alarms: Settings) -> tuple[Any, ...]:
    """Suppressed by design, which the settings no longer say."""
    return OPEN, handling.c.state == "suppressed_by_design", handling.c.fault.not_in(alarms.suppressed)


class Telling:
    """One transaction's work: give it the changes of a step with `take`, or let time pass with `look`.

    `now` is the wall time. The alerts of the changes have been stored already.
    """

    def __init__(self, connection: Connection, alarms: Settings, now: Instant) -> None:
        self._connection = connection
        self._rules = rules = Rules.of(alarms)
        self._alarms = alarms
        self._now = now
        self._shelves, self._workshop = table.put_aside(connection)
        self._unwritten: dict[Name, Row] = {}
        self._entries: list[tuple[Row, HistoryEntry]] = []
        self._storms = Storms(connection, rules, now)
        self.told = Told()

    def take(self, changes: Sequence[Change]) -> Told:
        """Book what the detectors found."""
        names = {(one.site, one.alert_id) for one in changes}
        rows = table.named(self._connection, self._shelves, names)
        for change in changes:
            name = change.site, change.alert_id
            row = self._unwritten[name] = rows[name] = rows.get(name) or self._begin(change)
            self._happens(row, change)
            if change.step == "cleared":
                self._cleared(row, change)
            elif change.cleared is None or change.deliver:
                self._stands(row, change)
        self._write()
        return self.told

    def look(self) -> Told:
        """End the shelves and stays whose time is up, and tell what has waited long enough."""
        self._end_shelves()
        self._end_stays()
        self._come_back("unsuppress", *_free(self._alarms))
        due = come(handling.c.due_ns, self._now, self._rules.longest_delay)
        for row in table.where(self._connection, self._shelves, DUE, due):
            self._owed(row)
        self._write()
        self.told.digests += take_due(self._connection, self._now, self._rules.digest_every)
        return self.told

    def _begin(self, change: Change) -> Row:
        fault, priority = change.record["fault"], change.record["priority"]
        quiet = Handling("normal", priority)
        row = Row(change.site, change.alert_id, change.hammer, fault, change.onset, quiet, self._now)
        self._apply(row, "raised", priority=priority)
        return row

    def _happens(self, row: Row, change: Change) -> None:
        """What the change is in the life of the alert, and whether it is put aside as it comes."""
        if change.step == "raised" and change.cleared is not None:
            return
        priority = change.record["priority"]
        why = f"{row.handling.priority} to {priority}" if change.step == "escalated" else ""
        self._apply(row, change.step, why, priority=priority)
        self._put_aside(row)

    def _put_aside(self, row: Row) -> None:
        """Where it stands, but its hammer is in the workshop, its fault suppressed, or both shelved."""
        if row.handling.state not in ACTIVE:
            return
        stay, shelf = self._workshop.get((row.site, row.hammer)), self._shelves.get(row.point)
        if stay is not None and (stay.until is None or stay.until > self._now):
            self._apply(row, "out_of_service", stay.reason, by=stay.by)
        elif row.fault in self._alarms.suppressed:
            self._apply(row, "suppress", "alarms.suppressed in the settings")
        elif shelf is not None and shelf.until > self._now and shelf.covers(row.handling.priority):
            self._apply(row, "shelve", shelf.reason, by=shelf.by, shelf=shelf)

    def _stands(self, row: Row, change: Change) -> None:
        """It was raised or has escalated: tell it, unless something keeps it back."""
        if row.handling.state in SUPPRESSED:
            return
        high = row.handling.priority == "high"
        if row.told == "alone":
            if change.deliver:
                self._tell(row, change)
        elif row.told == "digest" or row.held or row.due is not None:
            if high and row.grown:
                self._tell(row, change, "raised")
        elif not high and (delay := self._rules.delays.get(row.fault, 0)):
            row.due = self._now + delay
        else:
            self._judge(row, change)

    def _cleared(self, row: Row, change: Change) -> None:
        """It is over: told to whoever heard of it, dropped where nobody has."""
        waited, row.due = row.due is not None, None
        if not row.told and change.record["evidence"].get("withdrawn"):
            row.counts, row.held = "", False
            return
        if row.told == "alone":
            if change.deliver:
                self._tell(row, change)
        elif row.told == "digest":
            if change.deliver and not row.held:
                self._storms.hold_again(row)
        elif waited and not row.held and row.handling.state not in SUPPRESSED:
            stood = (change.cleared or row.onset) - row.onset
            if stood >= self._rules.delays.get(row.fault, 0) and self._judge(row, change):
                self._tell(row, change)

    def _judge(self, row: Row, change: Change) -> bool:
        """Tell it alone as raised, or put it into a storm; whether it went alone."""
        self._unwritten.pop(row.name, None)
        self._write_rows()  # the others, for the storms to count
        self._unwritten[row.name] = row
        if self._storms.take(row):
            return False
        self._tell(row, change, "raised")
        return True

    def _tell(self, row: Row, change: Change, step: Step | None = None) -> None:
        row.told, row.told_priority, row.due, row.held = "alone", row.handling.priority, None, False
        row.counts = row.counts or "all"
        self.told.changes.append(replace(change, step=step or change.step, deliver=True))

    def _owed(self, row: Row) -> None:
        """A delay, a shelf or a stay has ended: tell what was kept back, if it still stands."""
        self._unwritten[row.name] = row
        self._put_aside(row)
        row.due = None
        if row.handling.state in SUPPRESSED or row.handling.state not in ACTIVE or row.held:
            return
        change = self._as_it_stands(row)
        if not row.told:
            self._judge(row, change)
        elif row.grown and row.told == "alone":
            self._tell(row, replace(change, step="escalated"))
        elif row.grown and row.handling.priority == "high":
            self._tell(row, change)

    def _as_it_stands(self, row: Row) -> Change:
        c = alerts.c
        asked = select(c.record, c.onset_ns, c.cleared_ns, c.ahead).where(c.site == row.site, c.id == row.id)
        record, onset, cleared, ahead = self._connection.execute(asked).one()
        return Change("raised", row.site, row.hammer, row.id, json.loads(record), onset, cleared, ahead)

    def _end_shelves(self) -> None:
        over = [point for point, shelf in self._shelves.items() if shelf.until <= self._now]
        if over:
            points = tuple_(handling.c.site, handling.c.hammer, handling.c.fault)
            self._come_back("shelf_ended", OPEN, handling.c.state == "shelved", points.in_(over))
            self._connection.execute(delete(shelves).where(shelves.c.until_ns <= self._now))

    def _end_stays(self) -> None:
        over = [
            key for key, stay in self._workshop.items() if stay.until is not None and stay.until <= self._now
        ]
        if over:
            keys = tuple_(handling.c.site, handling.c.hammer)
            self._come_back("service_resumed", OPEN, handling.c.state == "out_of_service", keys.in_(over))
            self._connection.execute(delete(workshop).where(workshop.c.until_ns <= self._now))

    def _come_back(self, kind: EventKind, *conditions: Any) -> None:
        for row in table.where(self._connection, self._shelves, *conditions):
            self._apply(row, kind)
            self._owed(row)

    def _apply(self, row: Row, kind: EventKind, why: str = "", *, by: str = PROCESSOR, **more: Any) -> None:
        entry = row.apply(LifecycleEvent(kind, self._now, by, why, **more))
        if entry is not None:
            self._entries.append((row, entry))

    def _write(self) -> None:
        self._write_rows()
        table.write_history(self._connection, self._entries)
        self._entries.clear()

    def _write_rows(self) -> None:
        table.write(self._connection, self._unwritten.values())
        self._unwritten.clear()
