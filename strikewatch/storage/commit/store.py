"""The store: commits everything that a step found in one transaction, or nothing of it."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

import structlog
from sqlalchemy import URL, Connection, delete, func, select
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from strikewatch.core.alert import Change
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Rules
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.errors import StoreBlocked, StoreError, StoreLost, Unstorable
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.commit import spool, statements, states
from strikewatch.storage.commit.saved import read_saved
from strikewatch.storage.commit.sparkplug_nodes import write_nodes
from strikewatch.storage.commit.step import Saved, StepRecord
from strikewatch.storage.engines import open_database
from strikewatch.storage.outbox.floods import FloodCache
from strikewatch.storage.outbox.messages import Handover, Message, dead_letter_all
from strikewatch.storage.outbox.notifications import DueQuery, Notifications
from strikewatch.storage.outbox.outcomes import DeferredOutcomes
from strikewatch.storage.outbox.writer import Accepts, OutboxWriter, Route, to_every_endpoint
from strikewatch.storage.schema import SCHEMA_VERSION, tables
from strikewatch.storage.schema.version import create_tables, read_version, upgrade

_log = structlog.get_logger(__name__)


class Store:
    """One database with one writer: a SQLite file at a path, or PostgreSQL at a URL.

    `endpoints`: address by endpoint name; each change to be sent is queued for every endpoint that `route` accepts it
    for. `alarms`: delays, flood limits and the like. `reserve_mib`: disk space kept in reserve beside a SQLite file.
    Raises StoreError if the database cannot be used, as does every method.
    """

    def __init__(
        self,
        where: Path | URL,
        endpoints: Mapping[str, str] | None = None,
        rejects_kept: int = 10_000,
        alarms: Alarms | None = None,
        route: Route = to_every_endpoint,
        reserve_mib: float = 0.0,
    ) -> None:
        self._rejects_kept = rejects_kept
        self._lock = threading.Lock()
        self.deferred_outcomes = DeferredOutcomes()
        self._no_step = threading.Event()
        self._no_step.set()
        self._lost: StoreLost | None = None
        self.switched_off: dict[str, str] = {}
        """Reason by endpoint that is switched off. Guarded by the writer's lock."""
        self._urls = dict(endpoints or {})
        self._endpoints: dict[str, Accepts] = {name: partial(route, name) for name in self._urls}
        """Which alerts each endpoint accepts."""
        self.handovers = {name: Handover() for name in self._endpoints}
        """What was just committed, for the delivery loop of each endpoint."""
        self._queued: list[tuple[str, Message]] = []
        self._rules = Rules.of(alarms or Alarms())
        self._due_query = DueQuery(self._rules)
        self._floods = FloodCache()
        self._database = open_database(where, reserve_mib)
        self.disk_warning: str | None = self._database.restore_reserve()
        """A warning about the database's disk; None while it has room."""
        try:
            with self._translate_errors():
                self._writer = self._database.connect()
                self._prepare()
        except BaseException:
            self._database.release()
            raise

    @property
    def name(self) -> str:
        """Return the database's name for messages, without any password."""
        return self._database.name

    def close(self) -> None:
        """Close the database and release the writer's lock."""
        with self._lock, suppress(SQLAlchemyError):
            try:
                self._writer.close()
            finally:
                self._database.release()

    def add_endpoint(self, name: str, url: str, accepts: Callable[[Mapping[str, Any]], bool]) -> None:
        """Queue messages for one more endpoint from now on; those that wait for it from before still wait."""
        with self.write() as connection:
            connection.execute(
                delete(tables.endpoints).where(tables.endpoints.c.name == name)
            )  # it may be off
            statements.ENDPOINT.run(connection, [{"name": name, "url": url}])
            self.handovers.setdefault(name, Handover())
            self._endpoints = {**self._endpoints, name: lambda record, _now: accepts(record)}

    def remove_endpoint(self, name: str, reason: str, now: Instant) -> None:
        """Queue nothing more for an endpoint that was added; what still waits is parked with the reason."""
        with self.write() as connection:
            dead_letter_all(connection, name, reason, now)
            connection.execute(delete(tables.endpoints).where(tables.endpoints.c.name == name))
            self._endpoints = {other: own for other, own in self._endpoints.items() if other != name}
            self.switched_off.pop(name, None)

    def load(self) -> Saved:
        """Load the saved data of the last committed step."""
        with self.read() as connection:
            return read_saved(connection)

    def process_due(self, now: Instant) -> bool:
        """End expired shelves and stays out of service, and queue held alerts that are due at the wall time `now`.

        Returns whether anything was queued. Writes nothing if nothing is due.
        """
        with self.read() as connection:
            if not self._due_query.any_due(connection, now):
                return False
        with self.write() as connection:
            outgoing = Notifications(connection, self._rules, now).process_due()
            self._queued += OutboxWriter(connection, self._endpoints, self.switched_off, now).write(outgoing)
        return bool(outgoing.changes or outgoing.digests)

    def has_event(self, event: Event) -> bool:
        """Return whether an identical event is stored already (a redelivery)."""
        e = tables.events.c
        row = statements.event_row(event, 0)
        same = [getattr(e, name) == row[name] for name in ("site", "hammer", "kind", "time_ns", "fields")]
        with self.read() as connection:
            return connection.scalar(select(func.count()).select_from(tables.events).where(*same)) != 0

    def newest_batch(self, stream: str) -> int:
        """Return the number of the newest micro-batch of a stream that is committed; -1 if there is none."""
        batches = tables.stream_batches.c
        with self.read() as connection:
            number = connection.scalar(select(batches.batch).where(batches.stream == stream))
        return -1 if number is None else number

    def begin_step(self) -> None:
        """Note that a step is under way: the `commit` at its end will write the deferred outcomes."""
        self._no_step.clear()

    def commit(self, step: StepRecord) -> None:
        """Make one step durable; its messages may be acknowledged afterwards."""
        try:
            self._commit(step)
        finally:
            self._no_step.set()

    def _commit(self, step: StepRecord) -> None:
        to_record = not step.recorded and (step.rows or step.applied)
        blob = spool.encode(step.rows, step.applied) if to_record else b""
        size = max(len(blob), spool.memory_size(step.rows))
        stored_states = [
            {"site": site, "hammer": hammer, "layout": layout, "state": stored}
            for (site, hammer), state in step.states.items()
            for layout, stored in [states.pack(step.layout, state)]
        ]
        with self._transaction() as connection:
            if blob:
                row = {"received_ns": step.received, "size": size, "rows": blob}
                statements.SPOOL.run(connection, [row])
            if stored_states:
                statements.STATE.run(connection, stored_states)
            for event in step.events:
                # separately: an event may correct the one before it
                corrects = statements.corrected_entry_number(connection, event)
                statements.EVENT.run(
                    connection, [statements.event_row(event, step.received, corrects=corrects)]
                )
            if step.applied:
                applied = [statements.event_row(event, step.received) for event in step.applied]
                statements.EVENT_APPLIED.run(connection, applied)
            if step.bouts:
                statements.BOUT.run(connection, [statements.bout_row(bout) for bout in step.bouts])
            if step.stretches:
                statements.STRETCH.run(
                    connection, [statements.stretch_row(stretch) for stretch in step.stretches]
                )
            if step.changes:
                known = self._floods.use(self._database.version(connection))
                self.store_changes(connection, step.changes, step.received, known)
            if step.counts or step.rejects or step.feed:
                self._store_rejects(connection, step)
            if step.nodes:
                write_nodes(connection, step.nodes)
            if step.stream_batch is not None:
                stream, number = step.stream_batch
                row = {"stream": stream, "batch": number, "written_ns": step.received}
                statements.STREAM_BATCH.run(connection, [row])
            if step.session_held is not None:
                connection.execute(statements.SESSION_HELD, {"held": step.session_held})

    def store_changes(
        self,
        connection: Connection,
        changes: Sequence[Change],
        now: Instant,
        floods: FloodCache | None = None,
    ) -> list[tuple[str, Message]]:
        """Store changes of alerts and queue their messages, within a transaction of `write`.

        `floods`: what is known of them. Returns (endpoint, message) for those that are to be sent.
        """
        outgoing = Notifications(connection, self._rules, now, floods).store_changes(changes)
        queued = OutboxWriter(connection, self._endpoints, self.switched_off, now).write(outgoing)
        self._queued += queued
        return queued

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """Yield the writer's connection in a transaction that is committed and synced at the end of the block."""
        with self._transaction() as connection:
            self._floods.clear()
            yield connection

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """Do as `write`, for changes that leave what is known of floods valid."""
        with self._lock, self._translate_errors():
            if self._lost is not None:
                raise self._lost
            self._queued.clear()
            try:
                with self._database.transaction(self._writer):
                    outcomes = (
                        self.deferred_outcomes.write(self._writer) if self.deferred_outcomes.waiting else ()
                    )
                    yield self._writer
            except BaseException:
                self._floods.clear()
                raise
            self._database.check()
            if self.disk_warning is not None:
                self.disk_warning = self._database.restore_reserve()
            if outcomes:
                self.deferred_outcomes.confirm(outcomes)
            for endpoint, message in self._queued:
                self.handovers[endpoint].put(message)

    def check_disk_space(self) -> None:
        """Check whether a full disk has room again."""
        with self._lock:
            self.disk_warning = self._database.restore_reserve()

    def compact(self) -> None:
        """Rewrite the database, so that it holds no deleted or replaced data."""
        with self._lock, self._translate_errors():
            self._database.compact(self._writer)

    def flush(self, wait_s: float = 0.0) -> None:
        """Write the deferred outcomes, if there are any; wait for up to `wait_s` for a step under way to do so."""
        if self.deferred_outcomes.waiting:
            self._no_step.wait(wait_s)
        if self.deferred_outcomes.waiting:
            with self._transaction():
                pass

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Yield a connection that sees the last commit at each statement."""
        with self._translate_errors(), self._database.readers.connect() as connection:
            yield connection

    @contextmanager
    def _translate_errors(self) -> Iterator[None]:
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
                self.disk_warning = self._database.release_reserve()
            if refusal == "data":
                raise Unstorable(f"database {self.name} refuses this data: {cause}") from error
            kind = StoreBlocked if refusal else StoreError
            raise kind(f"database {self.name}: {cause}. {self._database.remedy}") from error

    def _prepare(self) -> None:
        """Create the tables or upgrade them, and load which endpoints are switched off."""
        with self.read() as connection:
            version = read_version(connection, self.name)
        if version not in (None, SCHEMA_VERSION):
            copy = self._database.copy_before_upgrade()
            _log.info("tables_upgraded", found=version, now=SCHEMA_VERSION, copy=copy and str(copy))
        with self.write() as connection:
            if version is None:
                create_tables(connection)
            elif version != SCHEMA_VERSION:
                upgrade(connection, version)
            rows = [{"name": name, "url": url} for name, url in self._urls.items()]
            statements.ENDPOINT.run(connection, rows)
            c = tables.endpoints.c
            off = connection.execute(select(c.name, c.reason).where(c.off_ns.is_not(None)))
            self.switched_off = {name: reason for name, reason in off if name in self._endpoints}

    def _store_rejects(self, connection: Connection, step: StepRecord) -> None:
        counts = dict(step.counts)
        for reject in step.rejects:
            counts[reject.reason] = counts.get(reject.reason, 0) + reject.rows
        statements.REJECT_COUNT.run(connection, [{"reason": reason, "n": n} for reason, n in counts.items()])
        feed_problems.record(connection, step.rejects, step.feed, step.received)
        kept = [
            statements.reject_row(reject, step.received) for reject in step.rejects[-self._rejects_kept :]
        ]
        if kept:
            statements.REJECT.run(connection, kept)
            connection.execute(statements.DROP_OLD_REJECTS, {"kept": self._rejects_kept})
