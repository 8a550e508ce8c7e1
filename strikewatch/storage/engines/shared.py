"""A database that a processor may be writing to at the same time, opened beside it: for short reads and writes.

SQLite lets one write at a time; who comes second waits, for up to 10 s. The processor's steps take milliseconds, and
what is written here is one short transaction each. Checkpoints stay the processor's business (see `sqlite.SOUND`).
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Protocol

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import SQLAlchemyError

from strikewatch.errors import StoreError
from strikewatch.storage.engines.sqlite import READER
from strikewatch.storage.schema import tables
from strikewatch.storage.schema.version import found

_PRAGMAS: Final = (
    "PRAGMA busy_timeout=10000",
    "PRAGMA synchronous=FULL",
    "PRAGMA wal_autocheckpoint=0",
)


class Place(Protocol):
    """Where tables are read and written: a `Store`, or a database beside it."""

    def read(self) -> Any:
        """A context manager: a connection that sees the last commit at each statement."""

    def write(self) -> Any:
        """A context manager: a connection in a transaction, committed at the end of the block."""


class Beside:
    """The database at a path or URL, which must be there with this program's tables.

    Use as a context manager. Raises StoreError where it cannot be used, as every method may.
    """

    def __init__(self, where: Path | URL) -> None:
        self.name = str(where) if isinstance(where, Path) else where.render_as_string(hide_password=True)
        if isinstance(where, Path) and not where.exists():
            raise StoreError(
                f"there is no database {where}: name the processor's settings with --config, or start it first"
            )
        with self._explained():
            self._engine = _sqlite(where) if isinstance(where, Path) else _server(where)
            with self.read() as connection:
                revision = found(connection, self.name)
        if revision != tables.REVISION:
            raise StoreError(
                f"{self.name} holds tables of revision {revision}, this program reads {tables.REVISION}: "
                "start the processor of this release once, which brings them up"
            )

    def __enter__(self) -> "Beside":
        return self

    def __exit__(self, *_: object) -> None:
        self._engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        with self._explained(), self._engine.execution_options(**{READER: True}).connect() as connection:
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        with self._explained(), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            cause = str(getattr(error, "orig", None) or error).strip()
            raise StoreError(
                f"database {self.name}: {cause}. Check that this user may read and write it, and its folder"
            ) from error


def _sqlite(path: Path) -> Engine:
    engine = create_engine(URL.create("sqlite", database=str(path)), pool_reset_on_return=None)

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # transactions are ours, not guessed by the driver
        for pragma in _PRAGMAS:
            connection.execute(pragma)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if not connection.get_execution_options().get(READER):
            connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _server(url: URL) -> Engine:
    return create_engine(url.set(drivername="postgresql+psycopg"), connect_args={"connect_timeout": 10})
