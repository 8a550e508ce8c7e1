"""What a step writes, as statements built once and compiled once."""

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Insert, Table, Update, bindparam, delete, func, select, update
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.dialects.sqlite.pysqlite import dialect

from strikewatch.store import tables


class Prepared:
    """A statement compiled beforehand: several run in every step, and each costs a third of Core's own way.

    `names` are the values that each row must give, by name.
    """

    def __init__(self, statement: Insert | Update, names: Sequence[str]) -> None:
        compiled = statement.compile(dialect=dialect(), column_keys=names)
        self._sql = str(compiled)
        self._values = itemgetter(*(compiled.positiontup or names))

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Once for each row; nothing at all without any."""
        if rows:
            connection.exec_driver_sql(self._sql, [self._values(row) for row in rows])


def _names(table: Table, unset: Sequence[str] = ("seq",)) -> list[str]:
    """All columns but those that are numbered or left empty."""
    return [column.name for column in table.columns if column.name not in unset]


SPOOL: Final = Prepared(insert(tables.arrived), _names(tables.arrived))

_state_insert = insert(tables.hammer_state)
STATE: Final = Prepared(
    _state_insert.on_conflict_do_update(
        index_elements=["site", "hammer"],
        set_={name: _state_insert.excluded[name] for name in ("layout", "state")},
    ),
    _names(tables.hammer_state),
)

EVENT: Final = Prepared(insert(tables.events).on_conflict_do_nothing(), _names(tables.events))

_event_insert = insert(tables.events)
APPLIED: Final = Prepared(
    _event_insert.on_conflict_do_update(
        index_elements=["site", "hammer", "kind", "time_ns", "fields"],
        set_={"applied_ns": _event_insert.excluded.applied_ns},
        where=tables.events.c.applied_ns.is_(None),
    ),
    _names(tables.events),
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
    _names(tables.alerts),
)

MESSAGE: Final = Prepared(
    insert(tables.outbox).on_conflict_do_nothing(), _names(tables.outbox, unset=("seq", "finished_ns"))
)

_outcome = ("attempts", "state", "due_ns", "last_outcome", "finished_ns")
SETTLE: Final = Prepared(
    update(tables.outbox)
    .where(tables.outbox.c.seq == bindparam("number"))
    .values({name: bindparam(name) for name in _outcome}),
    [*_outcome, "number"],
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
    _names(tables.reject_counts),
)

REJECT: Final = Prepared(insert(tables.rejects), _names(tables.rejects))
_newest = select(func.max(tables.rejects.c.seq)).scalar_subquery()
FORGET: Final = delete(tables.rejects).where(tables.rejects.c.seq <= _newest - bindparam("kept"))
