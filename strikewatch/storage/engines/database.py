"""What the store asks of a database: SQLite's file or PostgreSQL's server."""

from pathlib import Path
from typing import Literal, Protocol

from sqlalchemy import URL, Connection, Engine

Refusal = Literal["full", "locked", "unwritable"]


class Database(Protocol):
    """An opened database. `name` is what to call it, `remedy` what to look at when it refuses.

    `readers` is an engine whose connections see the last commit at each statement.
    """

    @property
    def name(self) -> str: ...
    @property
    def remedy(self) -> str: ...
    @property
    def readers(self) -> Engine: ...

    def connect(self) -> Connection:
        """The one connection that writes, with the claim to be the only one."""

    def check(self) -> None:
        """Raise StoreLost where what is written would go nowhere."""

    def copy(self) -> Path | None:
        """Put a copy aside before the tables are changed, where that is ours to do."""

    def compact(self, writer: Connection) -> None:
        """Leave nothing behind of what was deleted or replaced."""

    def refusal(self, error: BaseException) -> Refusal | None:
        """Why the driver refused, where it may be tried again."""

    def make_room(self) -> str | None:
        """Give up the reserve on a full disk, where there is one; what to say of the disk."""

    def keep_room(self) -> str | None:
        """Have the reserve again once there is room. What stands in the way, None if nothing."""

    def release(self) -> None:
        """Give everything back, the claim last."""


def open_database(where: Path | URL, reserve_mib: float = 0.0) -> Database:
    """The file, with a reserve beside it, or the server. Raises StoreError where it cannot be used or is in use."""
    if isinstance(where, Path):
        from strikewatch.storage.engines.sqlite import SqliteFile

        return SqliteFile(where, reserve_mib)
    from strikewatch.storage.engines.postgresql import PostgresqlServer

    return PostgresqlServer(where)
