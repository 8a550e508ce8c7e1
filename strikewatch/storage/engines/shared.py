"""Open the database for short reads and writes while the processor may be using it.

SQLite allows one writer at a time; a second one waits for up to 10 s. The processor's steps take milliseconds, and each
write here is one short transaction. Only the processor makes checkpoints (see `sqlite.FIRST_FIXED_VERSION`).
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import URL, Connection, Engine, create_engine
from sqlalchemy.exc import SQLAlchemyError

from strikewatch.errors import StoreError
from strikewatch.storage.engines.sqlite import NO_BEGIN, SHARED_PRAGMAS, open_engine
from strikewatch.storage.schema import SCHEMA_VERSION
from strikewatch.storage.schema.version import read_version


class DatabaseAccess(Protocol):
    """Access to the tables: the processor's `Store`, or a `SharedDatabase`."""

    def read(self) -> Any:
        """Return a context manager with a connection that sees the last commit at each statement."""

    def write(self) -> Any:
        """Return a context manager with a connection in a transaction, committed at the end of the block."""


class SharedDatabase:
    """An existing database at a path or URL, with this release's tables. Use as a context manager.

    Raises StoreError if it cannot be used, as does every method.
    """

    def __init__(self, where: Path | URL) -> None:
        self.name = str(where) if isinstance(where, Path) else where.render_as_string(hide_password=True)
        if isinstance(where, Path) and not where.exists():
            raise StoreError(
                f"there is no database {where}: give the processor's settings with --config, or start it first"
            )
        with self._translate_errors():
            self._engine = open_engine(where, SHARED_PRAGMAS) if isinstance(where, Path) else _server(where)
            with self.read() as connection:
                version = read_version(connection, self.name)
        if version != SCHEMA_VERSION:
            raise StoreError(
                f"{self.name} has schema version {version}, this release needs {SCHEMA_VERSION}: "
                "start the processor of this release once, which upgrades the database"
            )

    def __enter__(self) -> "SharedDatabase":
        return self

    def __exit__(self, *_: object) -> None:
        self._engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        with (
            self._translate_errors(),
            self._engine.execution_options(**{NO_BEGIN: True}).connect() as connection,
        ):
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        with self._translate_errors(), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _translate_errors(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            cause = str(getattr(error, "orig", None) or error).strip()
            raise StoreError(
                f"database {self.name}: {cause}. Check that this user may read and write it, and its folder"
            ) from error


def _server(url: URL) -> Engine:
    return create_engine(url.set(drivername="postgresql+psycopg"), connect_args={"connect_timeout": 10})
