"""What a step writes, as statements built once and compiled once for each kind of database."""

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import (
    BindParameter,
    CompoundSelect,
    Connection,
    Dialect,
    Insert,
    Select,
    Table,
    Update,
    bindparam,
    delete,
    func,
    null,
    select,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError

from strikewatch.storage.schema import tables
from strikewatch.storage.schema.bout_tables import bouts, exposure

Fresh = sqlite.Insert | postgresql.Insert
"""An insert that says what happens where the row is there already; both databases have it, in the same words."""
Into = Callable[[Table], Fresh]
PAGE: Final = 256
"""Values in one question at most."""
_INTO: Final[Mapping[str, Into]] = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}


def _directly(connection: Connection, sql: str, given: Sequence[Any]) -> list[Any]:
    """The driver's own way to what a connection's transaction is about: Core's takes five times as long as SQLite.

    `given`: a row of values, or a list of rows. Raises DBAPIError as Core does.
    """
    driver: Any = connection.connection.dbapi_connection
    try:
        made = driver.executemany(sql, given) if isinstance(given, list) else driver.execute(sql, given)
        found: list[Any] = made.fetchall()
    except sqlite3.Error as error:
        raise DBAPIError(sql, None, error) from error
    return found


class Prepared:
    """A statement compiled beforehand: several run in every step, and each costs a third of Core's own way.

    `build` makes it, given the database's own `insert`; `names` are the values that each row must give, by name.
    """

    def __init__(self, build: Callable[[Into], Insert | Update], names: Sequence[str]) -> None:
        self._build = build
        self._names = names
        self._compiled: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Once for each row; nothing at all without any."""
        if rows:
            kind = connection.dialect.name
            sql, values = self._compiled.get(kind) or self._compile(kind, connection.dialect)
            given = [values(row) for row in rows]
            if kind == "sqlite":
                _directly(connection, sql, given)
            else:
                connection.exec_driver_sql(sql, given)

    def _compile(self, kind: str, dialect: Dialect) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        compiled = self._build(_INTO[kind]).compile(dialect=dialect, column_keys=self._names)
        order = compiled.positiontup
        self._compiled[kind] = str(compiled), itemgetter(*order) if order else dict
        return self._compiled[kind]


class Question:
    """A read compiled beforehand, as `Prepared` is; its values are given by name, those it holds itself included.

    Answers with plain tuples as the database gives them: what SQLite keeps as a number is not made a bool.
    """

    def __init__(self, asked: Select[Any] | CompoundSelect[Any]) -> None:
        self._asked = asked
        self._compiled: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def ask(self, connection: Connection, **values: Any) -> Sequence[Any]:
        kind = connection.dialect.name
        sql, ordered = self._compiled.get(kind) or self._compile(kind, connection.dialect)
        if kind == "sqlite":
            return _directly(connection, sql, ordered(values))
        return connection.exec_driver_sql(sql, ordered(values)).fetchall()

    def _compile(self, kind: str, dialect: Dialect) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        compiled = self._asked.compile(dialect=dialect)
        order, held = compiled.positiontup, compiled.params

        def ordered(values: Mapping[str, Any]) -> Any:
            given = {**held, **values}
            return tuple(given[name] for name in order) if order is not None else given

        self._compiled[kind] = str(compiled), ordered
        return self._compiled[kind]


class Several:
    """A `Question` about any number of values at once: one for each power of two, filled up with the last value."""

    def __init__(self, asked: Callable[[Sequence[BindParameter[Any]]], Select[Any]]) -> None:
        self._asked = asked
        self._questions: dict[int, Question] = {}

    def ask(self, connection: Connection, about: Sequence[Any], **values: Any) -> list[Any]:
        found: list[Any] = []
        for k in range(0, len(about), PAGE):
            page = about[k : k + PAGE]
            n = 1 << (len(page) - 1).bit_length()
            if n not in self._questions:
                self._questions[n] = Question(self._asked([bindparam(f"v{i}") for i in range(n)]))
            filled = {f"v{i}": page[min(i, len(page) - 1)] for i in range(n)}
            found += self._questions[n].ask(connection, **filled, **values)
        return found


def _names(table: Table, unset: Sequence[str] = ("seq",)) -> list[str]:
    """All columns but those that are numbered or left empty."""
    return [column.name for column in table.columns if column.name not in unset]


def plain(table: Table) -> Prepared:
    """The row as given, which must be new."""
    return Prepared(lambda into: into(table), _names(table))


def newest(table: Table, key: Sequence[str], but: Sequence[str] = ()) -> Prepared:
    """The row as given, in place of the one that has the same key, `but` for some columns."""

    def build(into: Into) -> Insert:
        new = into(table)
        put = {name: new.excluded[name] for name in _names(table) if name not in (*key, *but)}
        return new.on_conflict_do_update(index_elements=key, set_=put)

    return Prepared(build, _names(table))


def once(table: Table, unset: Sequence[str] = ("seq",)) -> Prepared:
    """The row as given unless it is there."""
    return Prepared(lambda into: into(table).on_conflict_do_nothing(), _names(table, unset))


def _applied(into: Into) -> Insert:
    new = into(tables.events)
    return new.on_conflict_do_update(
        index_elements=["site", "hammer", "kind", "time_ns", "fields"],
        set_={"applied_ns": new.excluded.applied_ns},
        where=tables.events.c.applied_ns.is_(None),
    )


def _endpoint(into: Into) -> Insert:
    new = into(tables.endpoints)
    return new.on_conflict_do_update(
        index_elements=["name"],
        # a new address is a new endpoint: on again
        set_={"url": new.excluded.url, "off_ns": null(), "reason": null()},
        where=tables.endpoints.c.url != new.excluded.url,
    )


def _count(into: Into) -> Insert:
    new = into(tables.reject_counts)
    return new.on_conflict_do_update(
        index_elements=["reason"], set_={"n": tables.reject_counts.c.n + new.excluded.n}
    )


_OUTCOME: Final = ("attempts", "state", "due_ns", "last_outcome", "finished_ns")


def _settle(_into: Into) -> Update:
    return (
        update(tables.outbox)
        .where(tables.outbox.c.seq == bindparam("number"))
        .values({name: bindparam(name) for name in _OUTCOME})
    )


SPOOL: Final = plain(tables.arrived)
STATE: Final = newest(tables.hammer_state, ["site", "hammer"])
EVENT: Final = once(tables.events)
APPLIED: Final = Prepared(_applied, _names(tables.events))
ALERT: Final = newest(tables.alerts, ["site", "id"], but=["first_seen_ns"])
MESSAGE: Final = once(tables.outbox, unset=("seq", "finished_ns"))
BOUT: Final = newest(bouts, ["site", "hammer", "start_ns"])
STRETCH: Final = newest(exposure, ["site", "hammer", "start_ns"])
SETTLE: Final = Prepared(_settle, [*_OUTCOME, "number"])
ENDPOINT: Final = Prepared(_endpoint, ["name", "url"])
COUNT: Final = Prepared(_count, _names(tables.reject_counts))
REJECT: Final = plain(tables.rejects)
_last = select(func.max(tables.rejects.c.seq)).scalar_subquery()
FORGET: Final = delete(tables.rejects).where(tables.rejects.c.seq <= _last - bindparam("kept"))
