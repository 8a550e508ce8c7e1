"""Remove old data in small batches, each in its own transaction between the steps.

Never removed: active and shelved alerts, alerts that wait for acknowledgement, alerts with a message to be delivered,
and the messages sent about any of these. SQLite reuses freed pages, so the file stops growing once it holds the
retention times below.
"""

from collections.abc import Callable
from typing import Any, Final

import structlog
from sqlalchemy import ColumnElement, Connection, Select, bindparam, delete, exists, or_, select

from strikewatch.core.instant import SECOND, Instant
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.alarm_tables import handling, history, storms
from strikewatch.storage.schema.tables import (
    alerts,
    attempts,
    bouts,
    events,
    exposure,
    feed_problems,
    outbox,
    rejects,
)
from strikewatch.storage.settings import Settings

_log = structlog.get_logger(__name__)

BATCH_ROWS: Final = 200
"""How many rows one transaction removes: it takes some milliseconds, including the sync."""
RUN_EVERY_NS: Final = 3600 * SECOND
DAY: Final = 86_400 * SECOND


class Retention:
    """Removes old data. Call `tick` often; a pass over all rules begins an hour after the last one."""

    def __init__(self, store: Store, settings: Settings, monotonic: Callable[[], Instant]) -> None:
        self._store = store
        self._monotonic = monotonic
        self._days = [getattr(settings, name) for name, _ in _RULES]
        self._at = 0
        self._removed: dict[str, int] = {}
        self._next = monotonic()

    def tick(self, now: Instant) -> None:
        """Remove the next batch, if any; `now`: wall time. Raises StoreError."""
        if self._monotonic() < self._next:
            return
        name, rule = _RULES[self._at]
        removed = rule(self._store, now - int(self._days[self._at] * DAY)) if self._days[self._at] else 0
        self._removed[name] = self._removed.get(name, 0) + removed
        if removed == BATCH_ROWS:
            return
        self._at = (self._at + 1) % len(_RULES)
        if self._at == 0:
            self._next = self._monotonic() + RUN_EVERY_NS
            totals = {name: n for name, n in self._removed.items() if n}
            self._removed.clear()
            if totals:
                _log.info("old_removed", **totals)


_Rule = Callable[[Store, Instant], int]
"""(store, wall time) → how many older rows were removed."""


def _batches(find: Select[Any], remove: Callable[[Connection, list[dict[str, Any]]], None]) -> _Rule:
    """Return a rule that finds rows without blocking the writer, then removes them by their keys."""
    query = find.limit(BATCH_ROWS)

    def rule(store: Store, cut: Instant) -> int:
        with store.read() as connection:
            found = [dict(row) for row in connection.execute(query, {"cut": cut}).mappings()]
        if found:
            with store.write() as connection:
                remove(connection, found)
        return len(found)

    return rule


_CUT: Final[ColumnElement[Any]] = bindparam("cut")


_stands = or_(
    exists().where(
        alerts.c.site == outbox.c.site,
        alerts.c.id == outbox.c.alert_id,
        or_(alerts.c.cleared_ns.is_(None), alerts.c.ahead != 0),
    ),
    exists().where(
        handling.c.site == outbox.c.site, handling.c.id == outbox.c.alert_id, handling.c.state != "normal"
    ),
)
_SENT: Final = (
    select(outbox.c.seq.label("number"))
    .where(outbox.c.state == "sent", outbox.c.finished_ns < _CUT, ~_stands)
    .order_by(outbox.c.seq)
)


def _remove_sent(connection: Connection, keys: list[dict[str, Any]]) -> None:
    connection.execute(delete(attempts).where(attempts.c.outbox_seq == bindparam("number")), keys)
    connection.execute(delete(outbox).where(outbox.c.seq == bindparam("number")), keys)


_due = exists().where(
    outbox.c.site == alerts.c.site, outbox.c.alert_id == alerts.c.id, outbox.c.state == "waiting"
)
_handled = exists().where(
    handling.c.site == alerts.c.site,
    handling.c.id == alerts.c.id,
    or_(handling.c.state != "normal", handling.c.held, handling.c.due_ns.is_not(None)),
)
_ALERTS: Final = select(alerts.c.site.label("at"), alerts.c.id.label("name")).where(
    alerts.c.cleared_ns.is_not(None), alerts.c.ahead == 0, alerts.c.updated_ns < _CUT, ~_due, ~_handled
)


def _remove_alerts(connection: Connection, keys: list[dict[str, Any]]) -> None:
    """Remove alerts with their handling, history, messages and attempts."""
    for table, name in ((alerts, "id"), (handling, "id"), (history, "alert_id"), (outbox, "alert_id")):
        this = (table.c.site == bindparam("at"), table.c[name] == bindparam("name"))
        if table is outbox:
            sent = select(outbox.c.seq).where(*this)
            connection.execute(delete(attempts).where(attempts.c.outbox_seq.in_(sent)), keys)
        connection.execute(delete(table).where(*this), keys)


def _by_start(table: Any) -> _Rule:
    """Return a rule for bouts or stretches of work that began before the cut."""
    c = table.c
    find = select(c.site.label("at"), c.hammer.label("name"), c.start_ns.label("began"))
    this = (c.site == bindparam("at"), c.hammer == bindparam("name"), c.start_ns == bindparam("began"))

    def remove(connection: Connection, keys: list[dict[str, Any]]) -> None:
        connection.execute(delete(table).where(*this), keys)

    return _batches(find.where(c.start_ns < _CUT).order_by(c.start_ns), remove)


def _remove_problems(connection: Connection, keys: list[dict[str, Any]]) -> None:
    c = feed_problems.c
    this = (c.sender == bindparam("who"), c.reason == bindparam("why"), c.key == bindparam("what"))
    connection.execute(delete(feed_problems).where(*this), keys)


_p = feed_problems.c
_PROBLEMS: Final = (
    select(_p.sender.label("who"), _p.reason.label("why"), _p.key.label("what"))
    .where(_p.last_ns < _CUT)
    .order_by(_p.last_ns)
)


def _by_number(table: Any, *where: ColumnElement[bool]) -> _Rule:
    def remove(connection: Connection, keys: list[dict[str, Any]]) -> None:
        connection.execute(delete(table).where(table.c.seq == bindparam("number")), keys)

    return _batches(select(table.c.seq.label("number")).where(*where).order_by(table.c.seq), remove)


_RULES: Final[tuple[tuple[str, _Rule], ...]] = (
    ("sent_days", _batches(_SENT, _remove_sent)),
    ("alerts_days", _batches(_ALERTS, _remove_alerts)),
    ("alerts_days", _by_number(history, history.c.alert_id == "", history.c.at_ns < _CUT)),
    (
        "alerts_days",
        _by_number(
            storms,
            storms.c.until_ns < _CUT,
            storms.c.due_ns.is_(None),
            ~exists().where(handling.c.storm == storms.c.seq),
        ),
    ),
    ("events_days", _by_number(events, events.c.applied_ns.is_not(None), events.c.received_ns < _CUT)),
    ("bouts_days", _by_start(bouts)),
    ("bouts_days", _by_start(exposure)),
    ("rejects_days", _by_number(rejects, rejects.c.received_ns < _CUT)),
    ("rejects_days", _batches(_PROBLEMS, _remove_problems)),
)
"""(setting with the days to keep, rule); 0 days: keep forever."""
