"""The store: everything one step found out becomes durable in one transaction, or not at all."""

import json
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

import structlog
from sqlalchemy import URL, Connection, func, select
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from strikewatch.core.alert import Change
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import StoreBlocked, StoreError, StoreLost
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.commit import spool, statements
from strikewatch.storage.commit.step import Reject, Saved, SavedAlert, StepRecord
from strikewatch.storage.engines.database import open_database
from strikewatch.storage.outbox import attempts
from strikewatch.storage.outbox.notifications import Telling, any_due
from strikewatch.storage.outbox.writer import Dispatch, Route, everywhere, text
from strikewatch.storage.schema import bout_tables, tables
from strikewatch.storage.schema.version import found, make, upgrade

_log = structlog.get_logger(__name__)

PAYLOAD_KEPT: Final = 4096
"""Bytes kept of a rejected payload."""


class Store:
    """One database with one writer: SQLite's file at a path, or PostgreSQL's at a URL.

    `endpoints` names the webhook endpoints and their addresses: each change of an alert that shall be told
    is queued for every one of them that `route` lets it through to. `alarms`: delays, storms and the like.
    `reserve_mib` of disk are kept beside a file for when the disk is full.
    Raises StoreError where the database cannot be used, as every method may.
    """

    def __init__(
        self,
        where: Path | URL,
        endpoints: Mapping[str, str] | None = None,
        rejects_kept: int = 10_000,
        alarms: Alarms | None = None,
        route: Route = everywhere,
        reserve_mib: float = 0.0,
    ) -> None:
        self._rejects_kept = rejects_kept
        self._lock = threading.Lock()
        self._riders: deque[Mapping[str, Any]] = deque()
        self._lost: StoreLost | None = None
        self.off: dict[str, str] = {}
        """Endpoints switched off, with the reason. Guarded by the writer's lock."""
        self._endpoints = dict(endpoints or {})
        self._alarms = alarms or Alarms()
        self._route = route
        self.trouble: str | None = None
        """What to say of the database beside what it raises: that its disk is filling up."""
        self._database = open_database(where, reserve_mib)
        try:
            with self._explained():
                self._writer = self._database.connect()
                self._prepare()
        except BaseException:
            self._database.release()
            raise

    @property
    def name(self) -> str:
        """What to call the database; no secret is in it."""
        return self._database.name

    def close(self) -> None:
        """Give the database back; a committed step is durable without it."""
        with self._lock, suppress(SQLAlchemyError):
            try:
                self._writer.close()
            finally:
                self._database.release()

    def load(self) -> Saved:
        """Where the last committed step left off."""
        states, alerts, events = tables.hammer_state, tables.alerts, tables.events
        with self.read() as connection:
            saved_states = {
                (site, hammer): (layout, bytes(state))
                for site, hammer, layout, state in connection.execute(select(states))
            }
            standing = connection.execute(
                select(alerts.c.record, alerts.c.onset_ns, alerts.c.cleared_ns, alerts.c.ahead)
                .where(tables.OPEN)
                .order_by(alerts.c.onset_ns, alerts.c.site, alerts.c.id)
            )
            pending = connection.execute(
                select(
                    events.c.seq,
                    events.c.site,
                    events.c.hammer,
                    events.c.kind,
                    events.c.time_ns,
                    events.c.fields,
                )
                .where(tables.PENDING)
                .order_by(events.c.time_ns)
            ).all()
            return Saved(
                saved_states,
                [SavedAlert(json.loads(record), *more) for record, *more in standing],
                [
                    Event(site, hammer, kind, at, json.loads(fields))
                    # in order of arrival: a correction after what it corrects
                    for _, site, hammer, kind, at, fields in sorted(pending, key=lambda row: row.seq)
                ],
                max(connection.scalar(newest) or 0 for newest in _NEWEST),
            )

    def look(self, now: Instant) -> bool:
        """Let time pass for what is told: end shelves and stays, tell what has waited. Whether there is news to send.

        `now` is the wall time. Nothing is written where nothing is due.
        """
        with self.read() as connection:
            if not any_due(connection, self._alarms, now):
                return False
        with self.write() as connection:
            told = Telling(connection, self._alarms, now).look()
            self._dispatch(connection, now).take(told)
        return bool(told.changes or told.digests)

    def knows(self, event: Event) -> bool:
        """Whether this very event is stored already: a redelivery."""
        e = tables.events.c
        row = event_row(event, 0)
        same = [getattr(e, name) == row[name] for name in ("site", "hammer", "kind", "time_ns", "fields")]
        with self.read() as connection:
            return connection.scalar(select(func.count()).select_from(tables.events).where(*same)) != 0

    def commit(self, step: StepRecord) -> None:
        """Make one step durable. After it returns, its messages may be acknowledged."""
        blob = spool.encode(step.rows, step.applied) if step.rows or step.applied else b""
        states = [
            {"site": site, "hammer": hammer, "layout": step.layout, "state": state}
            for (site, hammer), state in step.states.items()
        ]
        with self.write() as connection:
            if blob:
                row = {"received_ns": step.received, "size": len(blob), "rows": blob}
                statements.SPOOL.run(connection, [row])
            statements.STATE.run(connection, states)
            for one in step.events:
                # one by one: an event may correct the one before it
                row = event_row(one, step.received, corrects=number_of_wrong(connection, one))
                statements.EVENT.run(connection, [row])
            statements.APPLIED.run(connection, [event_row(one, step.received) for one in step.applied])
            statements.BOUT.run(connection, [bout_tables.row(one) for one in step.bouts])
            statements.STRETCH.run(connection, [bout_tables.stretch_row(one) for one in step.stretches])
            self.book(connection, step.changes, step.received)
            self._store_rejects(connection, step)

    def book(self, connection: Connection, changes: Sequence[Change], now: Instant) -> None:
        """Changes of alerts as rows, and what is to be told of them as messages, within a transaction of `write`."""
        if not changes:
            return
        statements.ALERT.run(connection, [_alert_row(change, now) for change in changes])
        told = Telling(connection, self._alarms, now).take(changes)
        self._dispatch(connection, now).take(told)

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """The writer's connection in a transaction; committed, synced, at the end of the block."""
        with self._lock, self._explained():
            if self._lost is not None:
                raise self._lost
            self._database.check()
            riders = list(self._riders)
            with self._writer.begin():
                statements.SETTLE.run(self._writer, riders)
                attempts.write(self._writer, [one["attempt"] for one in riders])
                yield self._writer
            self._database.check()
            self.trouble = self._database.keep_room()
            for _ in riders:
                self._riders.popleft()

    def look_for_room(self) -> None:
        """Learn whether a disk that was full has room again."""
        with self._lock:
            self.trouble = self._database.keep_room()

    def compact(self) -> None:
        """Rewrite the database, so that nothing deleted or replaced is left in it."""
        with self._lock, self._explained():
            self._database.compact(self._writer)

    def ride_along(self, outcomes: Iterable[Mapping[str, Any]]) -> None:
        """Have outcomes of deliveries written with whatever is written next: it saves them a sync of their own."""
        self._riders.extend(outcomes)

    def flush(self) -> None:
        """Write the outcomes that found nothing to ride with; where the database refuses for now they ride later."""
        if self._riders:
            with suppress(StoreBlocked), self.write():
                pass

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees the last commit at each statement."""
        with self._explained(), self._database.readers.connect() as connection:
            yield connection

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except StoreLost as error:
            self._lost = error
            raise
        except SQLAlchemyError as error:
            cause = " ".join(str(getattr(error, "orig", None) or error).split())
            if isinstance(error, DBAPIError) and error.connection_invalidated:
                self._lost = StoreLost(f"database {self.name}: the session has ended: {cause}")
                raise self._lost from error
            refusal = (
                self._database.refusal(error.orig) if isinstance(error, DBAPIError) and error.orig else None
            )
            if refusal == "full":
                self.trouble = self._database.make_room()
            kind = StoreBlocked if refusal else StoreError
            raise kind(f"database {self.name}: {cause}. {self._database.remedy}") from error

    def _prepare(self) -> None:
        """Make the tables in an empty database, bring an older one up; learn which endpoints are off."""
        with self.read() as connection:
            revision = found(connection, self.name)
        if revision not in (None, tables.REVISION):
            copy = self._database.copy()
            _log.info("tables_upgraded", found=revision, now=tables.REVISION, copy=copy and str(copy))
        with self.write() as connection:
            if revision is None:
                make(connection)
            elif revision != tables.REVISION:
                upgrade(connection, revision)
            rows = [{"name": name, "url": url} for name, url in self._endpoints.items()]
            statements.ENDPOINT.run(connection, rows)
            points = tables.endpoints.c
            off = connection.execute(select(points.name, points.reason).where(points.off_ns.is_not(None)))
            self.off = {name: reason for name, reason in off if name in self._endpoints}

    def _dispatch(self, connection: Connection, now: Instant) -> Dispatch:
        return Dispatch(connection, self._endpoints, self.off, now, self._route)

    def _store_rejects(self, connection: Connection, step: StepRecord) -> None:
        counts = dict(step.counts)
        for reject in step.rejects:
            counts[reject.reason] = counts.get(reject.reason, 0) + reject.rows
        statements.COUNT.run(connection, [{"reason": reason, "n": n} for reason, n in counts.items()])
        feed_problems.record(connection, step.rejects, step.feed, step.received)
        kept = [_reject_row(one, step.received) for one in step.rejects[-self._rejects_kept :]]
        if kept:
            statements.REJECT.run(connection, kept)
            connection.execute(statements.FORGET, {"kept": self._rejects_kept})


_NEWEST: Final = (
    select(tables.arrived.c.received_ns).order_by(tables.arrived.c.seq.desc()).limit(1),
    select(func.max(tables.segments.c.written_ns)),
)
"""Of the steps, and of those that recordings hold by now."""


def _alert_row(change: Change, now: Instant) -> dict[str, Any]:
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
        "ahead": change.ahead,
        "record": text(record),
        "first_seen_ns": now,
        "updated_ns": now,
    }


def number_of_wrong(connection: Connection, event: Event) -> int | None:
    """The number of the entry that an event corrects: the oldest of that kind and time that is not corrected yet."""
    wrong = event.corrects
    if wrong is None:
        return None
    e, later = tables.events.c, tables.events.alias()
    number: int | None = connection.scalar(
        select(func.min(e.seq))
        .where(e.site == event.site, e.hammer == event.hammer, e.kind == wrong[0], e.time_ns == wrong[1])
        .where(~select(later.c.seq).where(later.c.corrects == e.seq).exists())
    )
    return number


def event_row(
    event: Event, received: Instant, who: str | None = None, corrects: int | None = None
) -> dict[str, Any]:
    return {
        "site": event.site,
        "hammer": event.hammer,
        "kind": event.kind,
        "time_ns": event.time,
        "fields": json.dumps(event.fields, ensure_ascii=False, sort_keys=True, separators=(",", ":")),
        "applied_ns": event.applied if event.applied >= 0 else None,
        "received_ns": received,
        "who": who,
        "corrects": corrects,
    }


def _reject_row(reject: Reject, received: Instant) -> dict[str, Any]:
    return {
        "topic": _plain(reject.topic),
        "payload": reject.payload[:PAYLOAD_KEPT],
        "reason": reject.reason,
        "detail": _plain(reject.detail),
        "received_ns": received,
    }


def _plain(words: str) -> str:
    """Text that either database takes: half a surrogate pair is none, and PostgreSQL has no U+0000."""
    return words.replace("\0", "\ufffd").encode(errors="replace").decode()
