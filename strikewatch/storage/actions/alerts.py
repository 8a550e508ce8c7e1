"""What a person does with alerts and hammers: each deed one short transaction, on record with who, when and why.

Nothing is sent from here. Where a deed lets alerts be told again, the processor finds that at its next look, within
about a second, or when it starts. Doing the same again changes nothing.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, and_, delete

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED, HistoryEntry, LifecycleEvent, Shelf, step
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import Name, Row, Stay
from strikewatch.storage.commit.statements import newest
from strikewatch.storage.engines.shared import Place
from strikewatch.storage.queries.alerts import (
    Filter,
    Listed,
    Order,
    count,
    find,
    find_hammer,
    look_up,
    search,
    story,
)
from strikewatch.storage.queries.muted import Mute, mutes
from strikewatch.storage.schema.alarm_tables import OPEN, handling, history, shelves, workshop

WORDS: Final = 1000
"""Characters of a reason or a comment at most."""
NAME: Final = 100

_SHELF: Final = newest(shelves, ["site", "hammer", "fault"])
_STAY: Final = newest(workshop, ["site", "hammer"])


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a deed: the alert it named as it stands now, if it named one, and how many alerts it changed."""

    alert: Listed | None
    key: Key
    changed: int


class Desk:
    """All that people do, at the wall time `now` of each call. `longest_shelf`: no shelf lasts longer (ns).

    `alert` is an id, whole or a unique start of it, `site` says which where two sites have the like. Raises Unknown for
    names that fit nothing or several things, Refused for what cannot be done as things stand, StoreError.
    """

    def __init__(self, place: Place, longest_shelf: Instant) -> None:
        self._place = place
        self._longest_shelf = longest_shelf

    def alerts(self, wanted: Filter, limit: int | None = None, order: Order = "newest") -> list[Listed]:
        with self._place.read() as connection:
            return search(connection, wanted, limit, order)

    def count(self, wanted: Filter) -> int:
        """How many fit, whatever the limit of a list."""
        with self._place.read() as connection:
            return count(connection, wanted)

    def muted(self, suppressed: Collection[str]) -> list[Mute]:
        """Shelves, hammers out of service, and the faults that the settings suppress."""
        with self._place.read() as connection:
            return mutes(connection, suppressed)

    def alert(self, alert: str, site: str | None = None) -> Listed:
        with self._place.read() as connection:
            return look_up(connection, find(connection, alert, site))

    def history(self, alert: str, site: str | None = None) -> list[dict[str, Any]]:
        """The lines of its history: at, by, event, why, from, to."""
        with self._place.read() as connection:
            return story(connection, find(connection, alert, site))

    def acknowledge(
        self, alert: str, *, by: str, comment: str = "", now: Instant, site: str | None = None
    ) -> Done:
        """Somebody has seen it."""
        _named(by, comment)
        with self._place.write() as connection:
            name = find(connection, alert, site)
            deed = _Deed(connection, now)
            deed.apply([deed.row(name)], LifecycleEvent("acknowledge", now, by, comment))
            return deed.done(name)

    def acknowledge_ended(
        self,
        hammer: str,
        fault: str,
        *,
        ended_by: Instant,
        by: str,
        comment: str = "",
        now: Instant,
        site: str,
    ) -> Done:
        """Acknowledge the alerts of a fault of a hammer that had ended by an instant of the wall clock.

        One that ended later was not among those that the person saw as ended.
        """
        _named(by, comment)
        with self._place.write() as connection:
            deed = _Deed(connection, now)
            rows = [
                row
                for row in deed.rows_of((site, hammer, fault))
                if row.handling.state == "returned_unacknowledged" and row.since <= ended_by
            ]
            deed.apply(rows, LifecycleEvent("acknowledge", now, by, comment))
            return Done(None, (site, hammer), deed.changed)

    def shelve(
        self, alert: str, *, until: Instant, by: str, reason: str, now: Instant, site: str | None = None
    ) -> Done:
        """Put the alert aside until an instant, and what its hammer raises of that fault, up to its priority."""
        _named(by, reason, must="a reason")
        if until <= now:
            raise Refused("a shelf must end later than now; name a time to come")
        if until - now > self._longest_shelf:
            raise Refused(
                f"nothing may be shelved for longer than {self._longest_shelf / 3.6e12:g} h "
                "(alarms.longest_shelf_h); shelve it for less, or put its hammer out of service"
            )
        with self._place.write() as connection:
            name = find(connection, alert, site)
            deed = _Deed(connection, now)
            named = deed.row(name)
            shelf = Shelf(until, by, reason, named.handling.priority)
            step(
                named.handling, LifecycleEvent("shelve", now, by, reason, shelf=shelf)
            )  # refuses what has ended
            kept = deed.shelves.get(named.point)
            if kept != shelf:
                _SHELF.run(connection, [_shelf_row(named, shelf, now)])
                deed.note(named.point, HistoryEntry(now, by, "shelve", reason, "normal", "shelved"))
            standing = [
                row
                for row in deed.rows_of(named.point)
                if row.handling.state in ACTIVE - SUPPRESSED | {"shelved"}
            ]
            covered = [row for row in standing if shelf.covers(row.handling.priority)]
            deed.apply(covered, LifecycleEvent("shelve", now, by, reason, shelf=shelf))
            return deed.done(name)

    def unshelve(
        self, alert: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> Done:
        """End the shelf that an alert is on before its time."""
        _named(by, reason)
        with self._place.write() as connection:
            name = find(connection, alert, site)
            deed = _Deed(connection, now)
            deed.end_shelving(deed.row(name).point, by, reason)
            return deed.done(name)

    def end_shelving(
        self, hammer: str, fault: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> Done:
        """End the shelf of a fault of a hammer before its time, whether any alert is on it or not."""
        _named(by, reason)
        with self._place.write() as connection:
            deed = _Deed(connection, now)
            points = [point for point in deed.shelves if point[1:] == (hammer, fault)]
            fitting = [point for point in points if site in (None, point[0])]
            if len(fitting) > 1:
                raise Unknown(f"{hammer} is at {', '.join(sorted(at for at, *_ in fitting))}; name the site")
            if not fitting:
                key = (site, hammer) if site is not None else find_hammer(connection, hammer)
                return Done(None, key, 0)
            deed.end_shelving(fitting[0], by, reason)
            return Done(None, fitting[0][:2], deed.changed)

    def out_of_service(
        self,
        hammer: str,
        *,
        by: str,
        reason: str,
        now: Instant,
        until: Instant | None = None,
        site: str | None = None,
    ) -> Done:
        """A hammer is in the workshop: its alerts are put aside until an instant, or until it is put in service."""
        _named(by, reason, must="a reason")
        if until is not None and until <= now:
            raise Refused("the stay must end later than now; name a time to come, or none")
        with self._place.write() as connection:
            key = find_hammer(connection, hammer, site)
            deed = _Deed(connection, now)
            stay = Stay(until, by, reason)
            if deed.workshop.get(key) != stay:
                row = {
                    "site": key[0],
                    "hammer": key[1],
                    "until_ns": until,
                    "who": by,
                    "reason": reason,
                    "since_ns": now,
                }
                _STAY.run(connection, [row])
                deed.note(
                    (*key, ""), HistoryEntry(now, by, "out_of_service", reason, "normal", "out_of_service")
                )
            deed.apply(deed.rows_of(key), LifecycleEvent("out_of_service", now, by, reason))
            return Done(None, key, deed.changed)

    def in_service(
        self, hammer: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> Done:
        """A hammer is back from the workshop."""
        _named(by, reason)
        with self._place.write() as connection:
            key = find_hammer(connection, hammer, site)
            deed = _Deed(connection, now)
            gone = and_(workshop.c.site == key[0], workshop.c.hammer == key[1])
            if connection.execute(delete(workshop).where(gone)).rowcount:
                deed.note((*key, ""), HistoryEntry(now, by, "in_service", reason, "out_of_service", "normal"))
            deed.apply(deed.rows_of(key), LifecycleEvent("in_service", now, by, reason))
            return Done(None, key, deed.changed)


class _Deed:
    """One transaction of a person's."""

    def __init__(self, connection: Connection, now: Instant) -> None:
        self._connection = connection
        self._now = now
        self.shelves, self.workshop = table.put_aside(connection)
        self.changed = 0

    def row(self, name: Name) -> Row:
        return table.named(self._connection, self.shelves, {name})[name]

    def rows_of(self, what: tuple[str, ...]) -> list[Row]:
        """The open alerts of a hammer, or of one fault of it."""
        columns = (handling.c.site, handling.c.hammer, handling.c.fault)
        same = [column == value for column, value in zip(columns, what, strict=False)]
        return table.where(self._connection, self.shelves, OPEN, *same)

    def apply(self, rows: Iterable[Row], event: LifecycleEvent) -> None:
        """Put rows through an event."""
        changed: list[Row] = []
        entries: list[tuple[Row, HistoryEntry]] = []
        for row in rows:
            entry = row.apply(event)
            if entry is not None:
                entries.append((row, entry))
                changed.append(row)
        table.write(self._connection, changed)
        table.write_history(self._connection, entries)
        self.changed += len(changed)

    def end_shelving(self, point: tuple[str, str, str], by: str, reason: str) -> None:
        c = shelves.c
        gone = and_(c.site == point[0], c.hammer == point[1], c.fault == point[2])
        if self._connection.execute(delete(shelves).where(gone)).rowcount:
            self.note(point, HistoryEntry(self._now, by, "unshelve", reason, "shelved", "normal"))
        self.apply(self.rows_of(point), LifecycleEvent("unshelve", self._now, by, reason))

    def note(self, point: tuple[str, str, str], entry: HistoryEntry) -> None:
        """A line of the history of a shelf or a hammer."""
        self._connection.execute(history.insert(), table.line(point, "", entry))

    def done(self, name: Name) -> Done:
        listed = look_up(self._connection, name)
        return Done(listed, (listed.record["site"], listed.record["hammer"]), self.changed)


def _named(by: str, words: str, must: str = "") -> None:
    """Who, and why: on record for good, so both are looked at."""
    if not by.strip() or len(by) > NAME or not by.isprintable():
        raise Refused(f"say who does it, by a name of 1 to {NAME} characters")
    if must and not words.strip():
        raise Refused(f"give {must}")
    if len(words) > WORDS:
        raise Refused(f"a reason or comment has at most {WORDS} characters; this one has {len(words)}")


def _shelf_row(row: Row, shelf: Shelf, now: Instant) -> dict[str, Any]:
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
