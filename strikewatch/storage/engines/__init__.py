"""The databases: a SQLite file or a PostgreSQL server. Here: what the store needs of one, and opening it."""

from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:  # `backup` does not load SQLAlchemy
    from sqlalchemy import URL, Connection, Engine

Refusal = Literal["full", "locked", "unwritable", "data"]
"""Why a database refuses. `data`: because of the data itself, which breaks a constraint or is out of range."""


class Database(Protocol):
    """An opened database. `name`: for messages. `remedy`: what to check when it fails.

    `readers`: an engine whose connections see the last commit at each statement.
    """

    @property
    def name(self) -> str: ...
    @property
    def remedy(self) -> str: ...
    @property
    def readers(self) -> "Engine": ...

    def connect(self) -> "Connection":
        """Open the only connection that writes, and take the writer's lock."""

    def transaction(self, writer: "Connection") -> AbstractContextManager[object]:
        """Begin a transaction of that connection; commit it at the end of the block, or roll it back."""

    def version(self, writer: "Connection") -> int | None:
        """Return a number that changes when another connection changes the database; None if it has none.

        Call it in a transaction of the writer's connection.
        """

    def check(self) -> None:
        """Raise StoreLost if the database is gone, so that what was written is lost."""

    def copy_before_upgrade(self) -> Path | None:
        """Copy the database before its tables are upgraded; return the copy's path, None for a server."""

    def compact(self, writer: "Connection") -> None:
        """Rewrite the database, so that it holds no deleted or replaced data."""

    def refusal(self, error: BaseException) -> Refusal | None:
        """Return why the database refused; None for an unknown error."""

    def release_reserve(self) -> str | None:
        """Release the disk reserve, if there is one; return the disk warning."""

    def restore_reserve(self) -> str | None:
        """Allocate the disk reserve again once there is room; return the disk warning, None if there is none."""

    def release(self) -> None:
        """Close all connections and release the writer's lock."""


def open_database(where: "Path | URL", reserve_mib: float = 0.0) -> Database:
    """Open the SQLite file at a path or the server at a URL. Raises StoreError if it cannot be used or is in use."""
    if isinstance(where, Path):
        from strikewatch.storage.engines.sqlite import SqliteFile

        return SqliteFile(where, reserve_mib)
    from strikewatch.storage.engines.postgresql import PostgresqlServer

    return PostgresqlServer(where)
