"""Actions of people on alerts and hammers: each is one short transaction, recorded with who, when and why.

Nothing is sent from here. If an action makes alerts due for sending, the processor sends them within about a second, or
when it starts. Actions are idempotent.
"""

from collections.abc import Collection
from dataclasses import replace
from typing import Any, Final

from sqlalchemy import and_, delete

from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import HistoryEntry, LifecycleEvent
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.actions.rows import AlertKey, Stay
from strikewatch.storage.actions.transaction import ActionResult, Transaction
from strikewatch.storage.commit.prepared import upsert
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import Mute, list_mutes
from strikewatch.storage.queries.alerts import (
    Filter,
    ListedAlert,
    Order,
    count,
    find,
    find_hammer,
    history_of,
    look_up,
    search,
)
from strikewatch.storage.queries.sites import Sites, permits
from strikewatch.storage.schema.alarm_tables import workshop

MAX_TEXT: Final = 1000
"""Largest number of characters in a reason or a comment."""
MAX_NAME: Final = 100

_STAY: Final = upsert(workshop, ["site", "hammer"])


class AlertActions:
    """Actions of people on alerts and hammers, at the wall time `now` of each call. `longest_shelf`: its limit in ns.

    `sites`: those that the person may see. `alert` is an alert's id or a unique beginning of it; `site` is needed where
    two sites have the same id or hammer.
    Raises Unknown for a name that matches nothing or several things, Refused for an action that is not possible in the
    present state, and StoreError.
    """

    def __init__(self, database: DatabaseAccess, longest_shelf: Instant, sites: Sites = None) -> None:
        self._database = database
        self._longest_shelf = longest_shelf
        self._sites = sites

    def alerts(self, wanted: Filter, limit: int | None = None, order: Order = "newest") -> list[ListedAlert]:
        with self._database.read() as connection:
            return search(connection, replace(wanted, sites=self._sites), limit, order)

    def count(self, wanted: Filter) -> int:
        """Count the matching alerts."""
        with self._database.read() as connection:
            return count(connection, replace(wanted, sites=self._sites))

    def muted(self, suppressed: Collection[str]) -> list[Mute]:
        """List shelves, hammers out of service, and the faults that the settings suppress."""
        with self._database.read() as connection:
            return list_mutes(connection, suppressed, self._sites)

    def alert(self, alert: str, site: str | None = None) -> ListedAlert:
        with self._database.read() as connection:
            return look_up(connection, find(connection, alert, site, self._sites))

    def history(self, alert: str, site: str | None = None) -> list[dict[str, Any]]:
        """Return the lines of an alert's history: at, by, event, why, from, to."""
        with self._database.read() as connection:
            return history_of(connection, find(connection, alert, site, self._sites))

    def acknowledge(
        self, alert: str, *, by: str, comment: str = "", now: Instant, site: str | None = None
    ) -> ActionResult:
        """Acknowledge an alert: someone has seen it."""
        _check_person_and_text(by, comment)
        with self._database.write() as connection:
            name = find(connection, alert, site, self._sites)
            transaction = Transaction(connection, now)
            transaction.apply([transaction.row(name)], LifecycleEvent("acknowledge", now, by, comment))
            return transaction.result(name)

    def acknowledge_all(
        self, names: Collection[AlertKey], *, by: str, comment: str = "", now: Instant
    ) -> ActionResult:
        """Acknowledge several alerts, all or none; `names`: site, and id or the beginning of it."""
        _check_person_and_text(by, comment)
        with self._database.write() as connection:
            transaction = Transaction(connection, now)
            rows = [transaction.row(find(connection, alert, site, self._sites)) for site, alert in names]
            transaction.apply(rows, LifecycleEvent("acknowledge", now, by, comment))
            return ActionResult(None, ("", ""), transaction.changed)

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
    ) -> ActionResult:
        """Acknowledge the alerts of a hammer and fault that had ended by the wall time `ended_by`.

        An alert that ended later was not in the list that the person saw.
        """
        _check_person_and_text(by, comment)
        self._check_site(site)
        with self._database.write() as connection:
            transaction = Transaction(connection, now)
            rows = [
                row
                for row in transaction.rows_of((site, hammer, fault))
                if row.handling.state == "returned_unacknowledged" and row.since <= ended_by
            ]
            transaction.apply(rows, LifecycleEvent("acknowledge", now, by, comment))
            return ActionResult(None, (site, hammer), transaction.changed)

    def shelve(
        self, alert: str, *, until: Instant, by: str, reason: str, now: Instant, site: str | None = None
    ) -> ActionResult:
        """Shelve an alert until an instant, and new alerts of its hammer and fault up to its priority."""
        self._check_shelf(by, reason, until, now)
        with self._database.write() as connection:
            name = find(connection, alert, site, self._sites)
            transaction = Transaction(connection, now)
            transaction.shelve(name, until, by, reason)
            return transaction.result(name)

    def shelve_all(
        self, names: Collection[AlertKey], *, until: Instant, by: str, reason: str, now: Instant
    ) -> ActionResult:
        """Shelve several alerts, all or none; `names`: site, and id or the beginning of it."""
        self._check_shelf(by, reason, until, now)
        with self._database.write() as connection:
            transaction = Transaction(connection, now)
            for site, alert in names:
                transaction.shelve(find(connection, alert, site, self._sites), until, by, reason)
            return ActionResult(None, ("", ""), transaction.changed)

    def _check_shelf(self, by: str, reason: str, until: Instant, now: Instant) -> None:
        _check_person_and_text(by, reason, must="a reason")
        if until <= now:
            raise Refused("shelving must end later than now; give a time in the future")
        if until - now > self._longest_shelf:
            raise Refused(
                f"alerts may be shelved for at most {self._longest_shelf / 3.6e12:g} h; "
                "choose a shorter time, or put the hammer out of service"
            )

    def unshelve(
        self, alert: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> ActionResult:
        """End the shelving of an alert early."""
        _check_person_and_text(by, reason)
        with self._database.write() as connection:
            name = find(connection, alert, site, self._sites)
            transaction = Transaction(connection, now)
            transaction.end_shelving(transaction.row(name).shelf_key, by, reason)
            return transaction.result(name)

    def end_shelving(
        self, hammer: str, fault: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> ActionResult:
        """End the shelving of a hammer and fault early, whether or not an alert is shelved."""
        _check_person_and_text(by, reason)
        self._check_site(site)
        with self._database.write() as connection:
            transaction = Transaction(connection, now)
            points = [point for point in transaction.shelves if point[1:] == (hammer, fault)]
            fitting = [
                point for point in points if site in (None, point[0]) and permits(self._sites, point[0])
            ]
            if len(fitting) > 1:
                raise Unknown(f"{hammer} is at {', '.join(sorted(at for at, *_ in fitting))}; name the site")
            if not fitting:
                key = (
                    (site, hammer) if site is not None else find_hammer(connection, hammer, sites=self._sites)
                )
                return ActionResult(None, key, 0)
            transaction.end_shelving(fitting[0], by, reason)
            return ActionResult(None, fitting[0][:2], transaction.changed)

    def out_of_service(
        self,
        hammer: str,
        *,
        by: str,
        reason: str,
        now: Instant,
        until: Instant | None = None,
        site: str | None = None,
    ) -> ActionResult:
        """Put a hammer out of service: suppress its alerts until an instant, or until it is put in service."""
        _check_person_and_text(by, reason, must="a reason")
        if until is not None and until <= now:
            raise Refused("the end must be later than now; give a time in the future, or none")
        with self._database.write() as connection:
            key = find_hammer(connection, hammer, site, self._sites)
            transaction = Transaction(connection, now)
            stay = Stay(until, by, reason)
            if transaction.workshop.get(key) != stay:
                row = {
                    "site": key[0],
                    "hammer": key[1],
                    "until_ns": until,
                    "who": by,
                    "reason": reason,
                    "since_ns": now,
                }
                _STAY.run(connection, [row])
                transaction.note(
                    (*key, ""), HistoryEntry(now, by, "out_of_service", reason, "normal", "out_of_service")
                )
            transaction.apply(transaction.rows_of(key), LifecycleEvent("out_of_service", now, by, reason))
            return ActionResult(None, key, transaction.changed)

    def in_service(
        self, hammer: str, *, by: str, reason: str = "", now: Instant, site: str | None = None
    ) -> ActionResult:
        """Put a hammer back in service."""
        _check_person_and_text(by, reason)
        with self._database.write() as connection:
            key = find_hammer(connection, hammer, site, self._sites)
            transaction = Transaction(connection, now)
            gone = and_(workshop.c.site == key[0], workshop.c.hammer == key[1])
            if connection.execute(delete(workshop).where(gone)).rowcount:
                transaction.note(
                    (*key, ""), HistoryEntry(now, by, "in_service", reason, "out_of_service", "normal")
                )
            transaction.apply(transaction.rows_of(key), LifecycleEvent("in_service", now, by, reason))
            return ActionResult(None, key, transaction.changed)

    def _check_site(self, site: str | None) -> None:
        if site is not None and not permits(self._sites, site):
            raise Unknown(f"nothing at {site} can be seen with this token; name another site")


def _check_person_and_text(by: str, text: str, must: str = "") -> None:
    """Check the name and text of an action, which stay on record. Raises Refused."""
    if not by.strip() or len(by) > MAX_NAME or not by.isprintable():
        raise Refused(f"give the name of the person: 1 to {MAX_NAME} printable characters")
    if must and not text.strip():
        raise Refused(f"give {must}")
    if len(text) > MAX_TEXT:
        raise Refused(f"a reason or comment has at most {MAX_TEXT} characters; this one has {len(text)}")
