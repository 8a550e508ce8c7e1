"""What a step writes, as statements built once and compiled once."""

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Insert, Table, bindparam, delete, func, select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.dialects.sqlite.pysqlite import dialect

from strikewatch.store import tables


class Prepared:
    """An insert compiled beforehand: several run in every step, and each costs a third of Core's own way.

    Every column but a numbered key must be given, by name.
    """

    def __init__(self, statement: Insert, table: Table, unset: Sequence[str] = ("seq",)) -> None:
        names = [column.name for column in table.columns if column.name not in unset]
        compiled = statement.compile(dialect=dialect(), column_keys=names)
        self._sql = str(compiled)
        self._values = itemgetter(*(compiled.positiontup or names))

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Once for each row; nothing at all without any."""
        if rows:
            connection.exec_driver_sql(self._sql, [self._values(row) for row in rows])


SPOOL: Final = Prepared(insert(tables.arrived), tables.arrived)

_state_insert = insert(tables.hammer_state)
STATE: Final = Prepared(
    _state_insert.on_conflict_do_update(
        index_elements=["site", "hammer"],
        set_={name: _state_insert.excluded[name] for name in ("layout", "state")},
    ),
    tables.hammer_state,
)

EVENT: Final = Prepared(insert(tables.events).on_conflict_do_nothing(), tables.events)

_event_insert = insert(tables.events)
APPLIED: Final = Prepared(
    _event_insert.on_conflict_do_update(
        index_elements=["site", "hammer", "kind", "time_ns", "fields"],
        set_={"applied_ns": _event_insert.excluded.applied_ns},
        where=tables.events.c.applied_ns.is_(None),
    ),
    tables.events,
)

_alert_insert = insert(tables.alerts)
ALERT: Final = Prepared(
    _alert_insert.on_conflict_do_update(
        index_elements=["site", "id"],
        set_={
            column.name: _alert_insert.excluded[column.name]
            for column in tables.alerts.columns
            if column.name not in ("site", "id", "first_seen_ns")
        },
    ),
    tables.alerts,
)

MESSAGE: Final = Prepared(
    insert(tables.outbox).on_conflict_do_nothing(), tables.outbox, unset=("seq", "finished_ns")
)

_endpoint_insert = insert(tables.endpoints)
ENDPOINT: Final = _endpoint_insert.on_conflict_do_update(
    index_elements=["name"],
    # a new address is a new endpoint: on again
    set_={"url": _endpoint_insert.excluded.url, "off_ns": None, "reason": None},
    where=tables.endpoints.c.url != _endpoint_insert.excluded.url,
)

_count_insert = insert(tables.reject_counts)
COUNT: Final = Prepared(
    _count_insert.on_conflict_do_update(
        index_elements=["reason"], set_={"n": tables.reject_counts.c.n + _count_insert.excluded.n}
    ),
    tables.reject_counts,
)

REJECT: Final = Prepared(insert(tables.rejects), tables.rejects)
_newest = select(func.max(tables.rejects.c.seq)).scalar_subquery()
FORGET: Final = delete(tables.rejects).where(tables.rejects.c.seq <= _newest - bindparam("kept"))
