"""The embedded database: how SQLite is opened so that a committed step survives a power cut.

WAL with synchronous FULL, and BEGIN IMMEDIATE for every transaction that writes: one that begins as a reader
and turns writer fails at once, whatever the busy timeout says.
"""

import sqlite3
from pathlib import Path
from typing import Any, Final

import structlog
from sqlalchemy import URL, Connection, Engine, create_engine, event

from strikewatch.errors import StoreError, StoreLost
from strikewatch.storage.engines.backup import backup
from strikewatch.storage.engines.database import Refusal
from strikewatch.storage.engines.disk_reserve import Reserve
from strikewatch.storage.schema import tables

_log = structlog.get_logger(__name__)

SOUND: Final = (3, 51, 3)
"""The first version without the rare WAL-reset corruption, which one writer that owns checkpoints avoids."""

_PRAGMAS: Final = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    "PRAGMA busy_timeout=10000",
    "PRAGMA secure_delete=OFF",  # on by default at some distributions: zeroing the spool doubles its cost
    "PRAGMA wal_autocheckpoint=8000",  # 32 MB: a checkpoint costs milliseconds, so few of them
    "PRAGMA journal_size_limit=67108864",
)
_REFUSALS: Final[dict[int, Refusal]] = {
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_BUSY: "locked",
    sqlite3.SQLITE_LOCKED: "locked",
    sqlite3.SQLITE_IOERR: "unwritable",  # a disk that has turned read-only under open files says no more
    sqlite3.SQLITE_READONLY: "unwritable",
}
READER: Final = "strikewatch_reader"
"""Execution option of connections that only read, each statement a transaction of its own."""


def open_engine(path: Path) -> Engine:
    """An engine for the database at `path`; its connections may pass from thread to thread."""
    if sqlite3.sqlite_version_info < SOUND:
        _log.warning(
            "sqlite_version",
            version=sqlite3.sqlite_version,
            remedy="before 3.51.3 it can, rarely, damage a WAL database that several processes write to: "
            "let no other program write to this file",
        )
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


class SqliteFile:
    """The database as one file of ours. Raises StoreError where it cannot be used."""

    remedy: Final = (
        "Check that its disk has room and that it may be written, and that it is a strikewatch database"
    )

    def __init__(self, path: Path, reserve_mib: float = 0.0) -> None:
        self.path = path
        self.name = str(path)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"cannot make the folder of {path}: {error}") from error
        self._claim = Claim(path)
        self._reserve = Reserve(path.with_name(f"{path.name}-reserve"), reserve_mib)
        self.engine = open_engine(path)
        self.readers = self.engine.execution_options(**{READER: True})
        self._files: dict[Path, tuple[int, int]] = {}

    def connect(self) -> Connection:
        """The writer's connection; the files are from now on those that were there."""
        connection = self.engine.connect()
        with connection.begin():
            # a write that changes nothing: fails at once where none may be made, and has the log made beside the file
            connection.exec_driver_sql("PRAGMA user_version=0")
        self._files = {path: _identity(path) for path in (self.path, Path(f"{self.path}-wal"))}
        return connection

    def check(self) -> None:
        """Raise StoreLost if the file is no longer the one that was opened: what is written would go nowhere."""
        for path, identity in self._files.items():
            try:
                same = _identity(path) == identity
            except OSError:
                same = False
            if not same:
                raise StoreLost(
                    f"database file {path} was replaced or removed while in use: nothing more is written or "
                    "acknowledged; start again with the file that is meant (stop the processor before restoring one)"
                )

    def copy(self) -> Path:
        """A copy beside it, as it was before this program's tables."""
        target = self.path.with_name(f"{self.path.name}.before-{tables.REVISION}")
        backup(self.path, target)
        return target

    def compact(self, writer: Connection) -> None:
        raw = writer.connection.dbapi_connection
        assert isinstance(raw, sqlite3.Connection)
        raw.execute("VACUUM")
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def refusal(self, error: BaseException) -> Refusal | None:
        return _REFUSALS.get(getattr(error, "sqlite_errorcode", 0) & 0xFF)

    def make_room(self) -> str | None:
        self._reserve.give_up()
        return self._reserve.trouble

    def keep_room(self) -> str | None:
        self._reserve.look()
        return self._reserve.trouble

    def release(self) -> None:
        self.engine.dispose()
        self._claim.release()


class Claim:
    """The right to write to a database, held by one process at a time and freed even by a killed one.

    It is SQLite's own file lock on a file beside the database, so it works wherever SQLite does.
    """

    def __init__(self, path: Path) -> None:
        lock = path.with_name(path.name + "-claim")
        try:
            self._connection = sqlite3.connect(lock, timeout=0, isolation_level=None, check_same_thread=False)
        except sqlite3.OperationalError as error:
            raise _unwritable(path, error) from error
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            self._connection.close()
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise _unwritable(path, error) from error
            raise StoreError(
                f"{path} is in use by another strikewatch ({error}): stop it, or name another database here"
            ) from error

    def release(self) -> None:
        self._connection.close()


def _unwritable(path: Path, error: sqlite3.Error) -> StoreError:
    return StoreError(
        f"{path} cannot be used ({error}): its folder {path.parent} must be writable for this user, "
        "with room on its disk"
    )


def _identity(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino
