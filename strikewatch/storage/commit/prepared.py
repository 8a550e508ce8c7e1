"""Prepared statements: built once, and compiled once for each kind of database."""

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

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
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.exc import DBAPIError

if TYPE_CHECKING:
    from sqlalchemy.dialects import postgresql

    Upsert = sqlite.Insert | postgresql.Insert
    """An insert with ON CONFLICT; SQLite and PostgreSQL share its syntax."""
InsertInto = Callable[[Table], "Upsert"]
LIST_LIMIT: Final = 256
"""Largest number of values in one IN list."""


def _insert_into(kind: str) -> InsertInto:
    """Return the `insert` of a kind of database; PostgreSQL's is slow to import."""
    if kind == "sqlite":
        return sqlite.insert
    from sqlalchemy.dialects import postgresql

    return postgresql.insert


def _run_on_driver(
    connection: Connection, sql: str, given: Sequence[Any]
) -> tuple[sqlite3.Cursor, list[Any]]:
    """Execute SQL on SQLite's driver, within the connection's transaction; SQLAlchemy Core takes five times as long.

    `given`: one row of values, or a list of rows. Returns the cursor and the rows found. Raises DBAPIError as Core
    does.
    """
    driver: Any = connection.connection.dbapi_connection
    try:
        cursor = driver.executemany(sql, given) if isinstance(given, list) else driver.execute(sql, given)
        return cursor, cursor.fetchall()
    except sqlite3.Error as error:
        raise DBAPIError(sql, None, error) from error


class PreparedWrite:
    """A writing statement that is compiled in advance, at a third of Core's cost per execution.

    `build` returns the statement, given the database's own `insert`. `names`: the columns that every row must give.
    """

    def __init__(self, build: Callable[[InsertInto], Insert | Update], names: Sequence[str]) -> None:
        self._build = build
        self._names = names
        self._compiled: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Execute the statement once for each row; do nothing without rows."""
        if rows:
            kind = connection.dialect.name
            sql, values = self._compiled.get(kind) or self._compile(kind, connection.dialect)
            given = [values(row) for row in rows]
            if kind == "sqlite":
                _run_on_driver(connection, sql, given)
            else:
                connection.exec_driver_sql(sql, given)

    def insert(self, connection: Connection, row: Mapping[str, Any]) -> int | None:
        """Insert one row of a numbered table; return its number, None if the row exists.

        PostgreSQL needs a statement that ends with `RETURNING seq`; older SQLite versions do not know that.
        """
        kind = connection.dialect.name
        sql, values = self._compiled.get(kind) or self._compile(kind, connection.dialect)
        if kind == "sqlite":
            cursor, _ = _run_on_driver(connection, sql, values(row))
            return cursor.lastrowid if cursor.rowcount > 0 else None
        number: int | None = connection.exec_driver_sql(sql, values(row)).scalar()
        return number

    def _compile(self, kind: str, dialect: Dialect) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        compiled = self._build(_insert_into(kind)).compile(dialect=dialect, column_keys=self._names)
        order = compiled.positiontup
        self._compiled[kind] = str(compiled), itemgetter(*order) if order else dict
        return self._compiled[kind]


class PreparedQuery:
    """A query that is compiled in advance, like `PreparedWrite`; its parameters are given by name.

    Returns plain tuples as the driver gives them: a boolean column of SQLite stays a number.
    """

    def __init__(self, query: Select[Any] | CompoundSelect[Any]) -> None:
        self._query = query
        self._compiled: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def fetch(self, connection: Connection, **values: Any) -> Sequence[Any]:
        """Execute the query and return all rows."""
        kind = connection.dialect.name
        sql, ordered = self._compiled.get(kind) or self._compile(kind, connection.dialect)
        if kind == "sqlite":
            return _run_on_driver(connection, sql, ordered(values))[1]
        return connection.exec_driver_sql(sql, ordered(values)).fetchall()

    def _compile(self, kind: str, dialect: Dialect) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        compiled = self._query.compile(dialect=dialect)
        order, literals = compiled.positiontup, compiled.params

        def ordered(values: Mapping[str, Any]) -> Any:
            given = {**literals, **values}
            return tuple(given[name] for name in order) if order is not None else given

        self._compiled[kind] = str(compiled), ordered
        return self._compiled[kind]


class PreparedListQuery:
    """A `PreparedQuery` with an IN list of any length.

    The list is padded with its last value to a power of two, so that few statements are compiled.
    """

    def __init__(self, build: Callable[[Sequence[BindParameter[Any]]], Select[Any]]) -> None:
        self._build = build
        self._queries: dict[int, PreparedQuery] = {}

    def fetch(self, connection: Connection, listed: Sequence[Any], **values: Any) -> list[Any]:
        """Execute the query for all `listed` values and return all rows."""
        rows: list[Any] = []
        for k in range(0, len(listed), LIST_LIMIT):
            page = listed[k : k + LIST_LIMIT]
            n = 1 << (len(page) - 1).bit_length()
            if n not in self._queries:
                self._queries[n] = PreparedQuery(self._build([bindparam(f"v{i}") for i in range(n)]))
            padded = {f"v{i}": page[min(i, len(page) - 1)] for i in range(n)}
            rows += self._queries[n].fetch(connection, **padded, **values)
        return rows


def column_names(table: Table, unset: Sequence[str] = ("seq",)) -> list[str]:
    """Return all columns except those that the database numbers or that stay empty."""
    return [column.name for column in table.columns if column.name not in unset]


def insert_new(table: Table) -> PreparedWrite:
    """Insert a row that must be new."""
    return PreparedWrite(lambda into: into(table), column_names(table))


def upsert(table: Table, key: Sequence[str], keep: Sequence[str] = ()) -> PreparedWrite:
    """Insert a row, or update the one that has the same key; an update leaves the columns in `keep` unchanged."""

    def build(into: InsertInto) -> Insert:
        new = into(table)
        update_columns = {
            name: new.excluded[name] for name in column_names(table) if name not in (*key, *keep)
        }
        return new.on_conflict_do_update(index_elements=key, set_=update_columns)

    return PreparedWrite(build, column_names(table))


def insert_missing(table: Table, unset: Sequence[str] = ("seq",), *, numbered: bool = False) -> PreparedWrite:
    """Insert a row unless it exists; `numbered`: for `PreparedWrite.insert`."""

    def build(into: InsertInto) -> Insert:
        new = into(table).on_conflict_do_nothing()
        return new.returning(table.c.seq) if numbered and into is not sqlite.insert else new

    return PreparedWrite(build, column_names(table, unset))
