"""Decide which changes of alerts are sent, held or suppressed: the rules of `engine`, applied to rows in a transaction.

All state is in the database. A restart therefore changes nothing, and a change that another process made between two
steps (a shelf, a hammer out of service) takes effect in the next step.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import BigInteger, Connection, bindparam, delete, exists, or_, select, tuple_

from strikewatch.core.alert import Change, Step
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Rules
from strikewatch.engine.lifecycle import (
    ACTIVE,
    SUPPRESSED,
    EventKind,
    Handling,
    HistoryEntry,
    LifecycleEvent,
    Shelf,
)
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import AlertKey, HandlingRow, ShelfKey, Stay
from strikewatch.storage.commit.prepared import PreparedQuery
from strikewatch.storage.outbox.digests import Digest, is_due, take_due_digests
from strikewatch.storage.outbox.floods import FloodCache, Floods
from strikewatch.storage.schema.alarm_tables import DUE, OPEN, STORM_DUE, handling, shelves, storms, workshop
from strikewatch.storage.schema.tables import alerts

if TYPE_CHECKING:
    from strikewatch.core.batch import Key

PROCESSOR: Final = "strikewatch"
"""The name in the history for changes that no person made."""
MAX_DUE: Final = 1000
"""Delayed alerts sent in one transaction; the others follow a second later."""
_CURRENT: Final = PreparedQuery(
    select(alerts.c.record, alerts.c.onset_ns, alerts.c.cleared_ns, alerts.c.ahead).where(
        alerts.c.site == bindparam("site"), alerts.c.id == bindparam("id")
    )
)


@dataclass(slots=True)
class Outgoing:
    """What is to be sent, in this order: single changes of alerts, then digests."""

    changes: list[Change] = field(default_factory=list)
    digests: list[Digest] = field(default_factory=list)


class DueQuery:
    """Asks whether `Notifications.process_due` would change anything; compiled once, since it is asked every second."""

    def __init__(self, rules: Rules) -> None:
        waits = (
            exists().where(DUE, is_due(handling.c.due_ns, _NOW, rules.longest_delay)),
            exists().where(STORM_DUE, is_due(storms.c.due_ns, _NOW, rules.digest_every)),
            exists().where(shelves.c.until_ns <= _NOW),
            exists().where(workshop.c.until_ns <= _NOW),
            exists().where(*_no_longer_suppressed(rules)),
        )
        self._query = PreparedQuery(select(or_(*waits)))

    def any_due(self, connection: Connection, now: Instant) -> bool:
        ((found,),) = self._query.fetch(connection, now=now)
        return bool(found)


_NOW: Final = bindparam("now", type_=BigInteger)


def _no_longer_suppressed(rules: Rules) -> tuple[Any, ...]:
    """Return the conditions for open alerts whose fault the settings no longer suppress."""
    still = [handling.c.fault != fault for fault in rules.suppressed]
    return OPEN, handling.c.state == "suppressed_by_design", *still


class Notifications:
    """The notifications of one transaction at the wall time `now`. Call `store_changes` or `process_due`, once.

    `floods`: what earlier transactions have read, if that is still valid.
    """

    def __init__(
        self, connection: Connection, rules: Rules, now: Instant, floods: FloodCache | None = None
    ) -> None:
        self._connection = connection
        self._rules = rules
        self._now = now
        self._shelves: dict[ShelfKey, Shelf] = {}
        self._workshop: dict[Key, Stay] = {}
        self._unwritten: dict[AlertKey, HandlingRow] = {}
        self._entries: list[tuple[HandlingRow, HistoryEntry]] = []
        self._floods = Floods(connection, rules, now, self._unwritten, floods or FloodCache())
        self._outgoing = Outgoing()

    def store_changes(self, changes: Sequence[Change]) -> Outgoing:
        """Store the changes that the detectors found; return what is to be sent."""
        keys = {(change.site, change.alert_id) for change in changes}
        rows, self._shelves, self._workshop = table.load(self._connection, keys)
        for change in changes:
            key = change.site, change.alert_id
            row = rows.get(key)
            if row is None:
                row = rows[key] = self._new_row(change)
            elif change.step == "raised" and change.deliver and row.handling.state not in ACTIVE:
                self._reopen(row)
            self._update_state(row, change)
            if change.step == "cleared":
                self._notify_cleared(row, change)
            elif change.cleared is None or change.deliver:
                self._notify_active(row, change)
            self._unwritten[key] = row
            self._floods.recount.append(row)
        self._write(changes)
        return self._outgoing

    def process_due(self) -> Outgoing:
        """End expired shelves and stays, and return the alerts and digests whose wait is over."""
        _, self._shelves, self._workshop = table.load(self._connection)
        self._end_expired_shelves()
        self._end_expired_stays()
        self._unsuppress("unsuppress", *_no_longer_suppressed(self._rules))
        due = is_due(handling.c.due_ns, self._now, self._rules.longest_delay)
        for row in table.find_rows(self._connection, self._shelves, DUE, due, limit=MAX_DUE):
            self._send_held_back(row)
        self._write()
        self._outgoing.digests += take_due_digests(self._connection, self._now, self._rules.digest_every)
        return self._outgoing

    def _new_row(self, change: Change) -> HandlingRow:
        fault, priority = change.record["fault"], change.record["priority"]
        initial = Handling("normal", priority)
        row = HandlingRow(
            change.site, change.alert_id, change.hammer, fault, change.onset, initial, self._now
        )
        if change.step != "raised" or change.cleared is not None:  # else the change itself raises it
            self._apply(row, "raised", priority=priority)
        return row

    @staticmethod
    def _reopen(row: HandlingRow) -> None:
        """Let an alert whose clear was refuted be sent like a new one, unless its receivers know it as active."""
        if row.sent_as == "digest" and row.held:
            row.held = False  # no digest has listed its end
        elif row.sent_as:
            row.sent_as = row.sent_priority = ""

    def _update_state(self, row: HandlingRow, change: Change) -> None:
        """Apply a change to the alert's state, and suppress the alert if a rule says so."""
        if change.step == "raised" and change.cleared is not None:
            return
        priority = change.record["priority"]
        why = f"{row.handling.priority} to {priority}" if change.step == "escalated" else ""
        self._apply(row, change.step, why, priority=priority)
        if self._workshop or self._shelves or self._rules.suppressed:
            self._suppress(row)

    def _suppress(self, row: HandlingRow) -> None:
        """Suppress an active alert if its hammer is out of service, its fault suppressed, or the pair shelved."""
        if row.handling.state not in ACTIVE:
            return
        stay, shelf = self._workshop.get((row.site, row.hammer)), self._shelves.get(row.shelf_key)
        if stay is not None and (stay.until is None or stay.until > self._now):
            self._apply(row, "out_of_service", stay.reason, by=stay.by)
        elif row.fault in self._rules.suppressed:
            self._apply(row, "suppress", "alarms.suppressed in the settings")
        elif shelf is not None and shelf.until > self._now and shelf.covers(row.handling.priority):
            self._apply(row, "shelve", shelf.reason, by=shelf.by, shelf=shelf)

    def _notify_active(self, row: HandlingRow, change: Change) -> None:
        """Send an alert that was raised or escalated, unless it is suppressed, delayed or held."""
        if row.handling.state in SUPPRESSED:
            return
        high = row.handling.priority == "high"
        if row.sent_as == "alone":
            if change.deliver:
                self._send(row, change)
        elif row.sent_as == "digest" or row.held or row.due is not None:
            if high and row.exceeds_sent_priority:
                self._send(row, change, "escalated")
        elif not high and (delay := self._rules.delays.get(row.fault, 0)):
            row.due = self._now + delay
        else:
            self._send_or_hold(row, change)

    def _notify_cleared(self, row: HandlingRow, change: Change) -> None:
        """Send the end of an alert where its raise was sent; drop a withdrawn alert that was never sent."""
        waited, row.due = row.due is not None, None
        if not row.sent_as and change.record["evidence"].get("withdrawn"):
            row.counts, row.held = "", False
            return
        if row.sent_as == "alone":
            if change.deliver:
                self._send(row, change)
        elif row.sent_as == "digest":
            if change.deliver and not row.held:
                self._floods.hold_end(row)
        elif waited and not row.held and row.handling.state not in SUPPRESSED:
            duration = (change.cleared or row.onset) - row.onset
            if duration >= self._rules.delays.get(row.fault, 0) and self._send_or_hold(row, change):
                self._send(row, change)

    def _send_or_hold(self, row: HandlingRow, change: Change) -> bool:
        """Send the alert alone as raised, or hold it in a flood; return whether it was sent."""
        if row.handling.priority != "high" and self._floods.take(row):
            return False
        row.counts = "all"
        self._send(row, change, "raised")
        return True

    def _send(self, row: HandlingRow, change: Change, step: Step | None = None) -> None:
        row.sent_as, row.sent_priority, row.due, row.held = "alone", row.handling.priority, None, False
        row.counts = row.counts or "all"
        self._outgoing.changes.append(replace(change, step=step or change.step, deliver=True))

    def _send_held_back(self, row: HandlingRow) -> None:
        """Send an alert whose delay, shelf or stay out of service has ended, if it is still active."""
        self._suppress(row)
        self._decide_held_back(row)
        self._unwritten[row.name] = row
        self._floods.recount.append(row)

    def _decide_held_back(self, row: HandlingRow) -> None:
        row.due = None
        if row.handling.state in SUPPRESSED or row.handling.state not in ACTIVE or row.held:
            return
        change = self._current_change(row)
        if not row.sent_as:
            self._send_or_hold(row, change)
        elif row.exceeds_sent_priority and (row.sent_as == "alone" or row.handling.priority == "high"):
            self._send(row, change, "escalated")

    def _current_change(self, row: HandlingRow) -> Change:
        """Return the alert's stored state as a change."""
        ((record, onset, cleared, ahead),) = _CURRENT.fetch(self._connection, site=row.site, id=row.id)
        return Change("raised", row.site, row.hammer, row.id, json.loads(record), onset, cleared, ahead)

    def _end_expired_shelves(self) -> None:
        expired = [key for key, shelf in self._shelves.items() if shelf.until <= self._now]
        if expired:
            columns = tuple_(handling.c.site, handling.c.hammer, handling.c.fault)
            self._unsuppress("shelf_ended", OPEN, handling.c.state == "shelved", columns.in_(expired))
            self._connection.execute(delete(shelves).where(shelves.c.until_ns <= self._now))

    def _end_expired_stays(self) -> None:
        expired = [
            key for key, stay in self._workshop.items() if stay.until is not None and stay.until <= self._now
        ]
        if expired:
            columns = tuple_(handling.c.site, handling.c.hammer)
            self._unsuppress(
                "service_resumed", OPEN, handling.c.state == "out_of_service", columns.in_(expired)
            )
            self._connection.execute(delete(workshop).where(workshop.c.until_ns <= self._now))

    def _unsuppress(self, kind: EventKind, *conditions: Any) -> None:
        for row in table.find_rows(self._connection, self._shelves, *conditions):
            self._apply(row, kind)
            self._send_held_back(row)

    def _apply(
        self, row: HandlingRow, kind: EventKind, why: str = "", *, by: str = PROCESSOR, **more: Any
    ) -> None:
        entry = row.apply(LifecycleEvent(kind, self._now, by, why, **more))
        if entry is not None:
            self._entries.append((row, entry))

    def _write(self, changes: Sequence[Change] = ()) -> None:
        self._floods.finish()
        table.write(self._connection, self._unwritten.values(), self._entries, changes, self._now)
