"""Remove old data in small batches, each in its own transaction between the steps.

Never removed: active and shelved alerts, alerts that wait for acknowledgement, alerts with a message to be delivered,
and the messages sent about any of these. SQLite reuses freed pages, so the file stops growing once it holds the
retention times below.
"""

from collections.abc import Callable, Sequence
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


_alert_is_open = or_(
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
    .where(outbox.c.state == "sent", outbox.c.finished_ns < _CUT, ~_alert_is_open)
    .order_by(outbox.c.seq)
)


def _remove_sent(connection: Connection, keys: list[dict[str, Any]]) -> None:
    connection.execute(delete(attempts).where(attempts.c.outbox_seq == bindparam("number")), keys)
    connection.execute(delete(outbox).where(outbox.c.seq == bindparam("number")), keys)


_has_waiting_message = exists().where(
    outbox.c.site == alerts.c.site, outbox.c.alert_id == alerts.c.id, outbox.c.state == "waiting"
)
_needs_handling = exists().where(
    handling.c.site == alerts.c.site,
    handling.c.id == alerts.c.id,
    or_(handling.c.state != "normal", handling.c.held, handling.c.due_ns.is_not(None)),
)
_ALERTS: Final = select(alerts.c.site.label("at"), alerts.c.id.label("name")).where(
    alerts.c.cleared_ns.is_not(None),
    alerts.c.ahead == 0,
    alerts.c.updated_ns < _CUT,
    ~_has_waiting_message,
    ~_needs_handling,
)


def _remove_alerts(connection: Connection, keys: list[dict[str, Any]]) -> None:
    """Remove alerts with their handling, history, messages and attempts."""
    for table, name in ((alerts, "id"), (handling, "id"), (history, "alert_id"), (outbox, "alert_id")):
        this = (table.c.site == bindparam("at"), table.c[name] == bindparam("name"))
        if table is outbox:
            sent = select(outbox.c.seq).where(*this)
            connection.execute(delete(attempts).where(attempts.c.outbox_seq.in_(sent)), keys)
        connection.execute(delete(table).where(*this), keys)


def _by_key(
    table: Any, key: Sequence[str], *where: ColumnElement[bool], by: ColumnElement[Any] | None = None
) -> _Rule:
    """Return a rule for rows of a table with this key, in the order of `by` or of the key's last column."""
    columns = [table.c[name] for name in key]
    this = [column == bindparam(f"{column.name}_of_row") for column in columns]

    def remove(connection: Connection, keys: list[dict[str, Any]]) -> None:
        connection.execute(delete(table).where(*this), keys)

    find = select(*(column.label(f"{column.name}_of_row") for column in columns)).where(*where)
    return _batches(find.order_by(columns[-1] if by is None else by), remove)


_NUMBER: Final = ("seq",)
_START: Final = ("site", "hammer", "start_ns")
_PROBLEM: Final = ("sender", "reason", "key")
_RULES: Final[tuple[tuple[str, _Rule], ...]] = (
    ("sent_days", _batches(_SENT, _remove_sent)),
    ("alerts_days", _batches(_ALERTS, _remove_alerts)),
    ("alerts_days", _by_key(history, _NUMBER, history.c.alert_id == "", history.c.at_ns < _CUT)),
    (
        "alerts_days",
        _by_key(
            storms,
            _NUMBER,
            storms.c.until_ns < _CUT,
            storms.c.due_ns.is_(None),
            ~exists().where(handling.c.storm == storms.c.seq),
        ),
    ),
    ("events_days", _by_key(events, _NUMBER, events.c.applied_ns.is_not(None), events.c.received_ns < _CUT)),
    ("bouts_days", _by_key(bouts, _START, bouts.c.start_ns < _CUT)),
    ("bouts_days", _by_key(exposure, _START, exposure.c.start_ns < _CUT)),
    ("rejects_days", _by_key(rejects, _NUMBER, rejects.c.received_ns < _CUT)),
    (
        "rejects_days",
        _by_key(feed_problems, _PROBLEM, feed_problems.c.last_ns < _CUT, by=feed_problems.c.last_ns),
    ),
)
"""(setting with the days to keep, rule); 0 days: keep forever."""
