"""The embedded database: SQLite opened so that a committed step survives a power cut.

WAL with synchronous FULL, and BEGIN IMMEDIATE for every writing transaction: one that begins as a reader and then
writes fails at once, whatever the busy timeout is.
"""

import errno
import fcntl
import glob
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from strikewatch.errors import StoreError, StoreLost
from strikewatch.storage.engines import Refusal, disk
from strikewatch.storage.engines.copies import backup
from strikewatch.storage.engines.disk import Reserve
from strikewatch.storage.schema import SCHEMA_VERSION

FIRST_FIXED_VERSION: Final = (3, 51, 3)
"""The first SQLite version without the rare WAL-reset corruption. A single process that makes all checkpoints avoids
it."""

_DURABLE: Final = ("PRAGMA synchronous=FULL", "PRAGMA busy_timeout=10000")
PROCESSOR_PRAGMAS: Final = (
    "PRAGMA journal_mode=WAL",
    *_DURABLE,
    "PRAGMA secure_delete=OFF",  # some distributions switch it on: zeroing the spool doubles its cost
    "PRAGMA wal_autocheckpoint=8000",  # 32 MB: a checkpoint costs milliseconds, so make few
    "PRAGMA journal_size_limit=67108864",
)
SHARED_PRAGMAS: Final = (*_DURABLE, "PRAGMA wal_autocheckpoint=0")
"""For processes other than the processor, which alone makes checkpoints."""
_REFUSALS: Final[dict[int, Refusal]] = {
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_BUSY: "locked",
    sqlite3.SQLITE_LOCKED: "locked",
    sqlite3.SQLITE_IOERR: "unwritable",  # all that SQLite reports when a disk turns read-only under open files
    sqlite3.SQLITE_READONLY: "unwritable",
    sqlite3.SQLITE_CONSTRAINT: "data",
    sqlite3.SQLITE_MISMATCH: "data",
    sqlite3.SQLITE_TOOBIG: "data",
}
_BEGIN: Final = "BEGIN IMMEDIATE"
NO_BEGIN: Final = "strikewatch_no_begin"
"""Execution option of connections for which SQLAlchemy begins no transaction. Of a reader, each statement is its own;
the processor's writer begins them itself."""


def open_engine(path: Path, pragmas: Sequence[str]) -> Engine:
    """Return an engine for the database at `path`; its connections may be used by any thread."""
    engine = create_engine(URL.create("sqlite", database=str(path)), pool_reset_on_return=None)

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # the driver must not begin transactions by itself
        for pragma in pragmas:
            connection.execute(pragma)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if not connection.get_execution_options().get(NO_BEGIN):
            driver: Any = connection.connection.dbapi_connection
            _execute(driver, _BEGIN)

    return engine


def _execute(driver: sqlite3.Connection, sql: str) -> None:
    """Execute SQL as SQLAlchemy does, which is slower. Raises DBAPIError."""
    try:
        driver.execute(sql)
    except sqlite3.Error as error:
        raise DBAPIError(sql, None, error) from error


class SqliteFile:
    """The database as a SQLite file. Raises StoreError if it cannot be used.

    `path` may be a symbolic link: SQLite keeps its log beside the file itself, and so do the lock and the reserve.
    """

    remedy: Final = (
        "Check that its disk has room, that the file may be written, and that it is a strikewatch database"
    )

    def __init__(self, path: Path, reserve_mib: float = 0.0) -> None:
        self.name = str(path)
        try:
            self.path = path = path.resolve()
            disk.make_folder(path.parent)
        except (OSError, RuntimeError) as error:  # RuntimeError: links that lead to each other
            raise StoreError(f"cannot create the folder of {path}: {error}") from error
        if sqlite3.sqlite_version_info < FIRST_FIXED_VERSION:
            import structlog  # slow to import, so not for the commands that only read

            structlog.get_logger(__name__).warning(
                "sqlite_version",
                version=sqlite3.sqlite_version,
                remedy="before 3.51.3, SQLite can in rare cases damage a WAL database that several processes write to: "
                "let no other program write to this file",
            )
        self._lock = WriterLock(path)
        disk.make_private([path, *sorted(path.parent.glob(f"{glob.escape(path.name)}[-.]*"))])
        self._reserve = Reserve(path.with_name(f"{path.name}-reserve"), reserve_mib)
        self.engine = open_engine(path, PROCESSOR_PRAGMAS)
        self.readers = self.engine.execution_options(**{NO_BEGIN: True})
        self._files: dict[str, tuple[int, int]] = {}

    def connect(self) -> Connection:
        """Open the writer's connection, for `transaction`, and remember which files belong to it."""
        connection = self.readers.connect()
        with self.transaction(connection):
            # a write without effect: it fails at once if writing is not allowed, and creates the log file
            connection.exec_driver_sql("PRAGMA user_version=0")
        files = (self.name, str(self.path), f"{self.path}-wal")
        self._files = {path: _identity(path) for path in files}
        return connection

    @contextmanager
    def transaction(self, writer: Connection) -> Iterator[None]:
        """Begin a transaction of the writer's connection; commit it at the end of the block, or roll it back."""
        driver: Any = writer.connection.dbapi_connection
        _execute(driver, _BEGIN)
        try:
            yield
            _execute(driver, "COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                driver.rollback()  # does nothing if SQLite has done so already
            raise

    def version(self, writer: Connection) -> int:
        """Return a number that changes when another connection changes the database."""
        driver: Any = writer.connection.dbapi_connection
        (number,) = driver.execute("PRAGMA data_version").fetchone()
        return int(number)

    def check(self) -> None:
        """Raise StoreLost if a file is no longer the one that was opened, so that writes would be lost."""
        for path, identity in self._files.items():
            try:
                same = _identity(path) == identity
            except OSError:
                same = False
            if not same:
                raise StoreLost(
                    f"database file {path} was replaced or removed while in use: nothing more is written or "
                    "acknowledged; start again with the right file (stop the processor before restoring a backup)"
                )

    def copy_before_upgrade(self) -> Path:
        """Copy the database beside itself, as it is before the upgrade."""
        target = self.path.with_name(f"{self.path.name}.before-{SCHEMA_VERSION}")
        backup(self.path, target)
        return target

    def compact(self, writer: Connection) -> None:
        """Vacuum and truncate the log, so that no deleted data is left."""
        raw = writer.connection.dbapi_connection
        assert isinstance(raw, sqlite3.Connection)
        raw.execute("VACUUM")
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def refusal(self, error: BaseException) -> Refusal | None:
        """Return why SQLite refused; None for an unknown error."""
        return _REFUSALS.get(getattr(error, "sqlite_errorcode", 0) & 0xFF)

    def release_reserve(self) -> str | None:
        self._reserve.release()
        return self._reserve.disk_warning

    def restore_reserve(self) -> str | None:
        self._reserve.restore()
        return self._reserve.disk_warning

    def release(self) -> None:
        self.engine.dispose()
        self._lock.release()


_locked_here: Final[set[tuple[int, int]]] = set()
"""Device and inode of the databases that this process holds the lock of."""


class WriterLock:
    """The lock that lets one process at a time write to a database; a killed process releases it, too.

    It has two parts. One is SQLite's own file lock on a file beside the database, so it works wherever SQLite does. The
    other is on the database file itself, so that a second name of the same file (a hard link) is recognised. Closing
    any handle of that file would end the locks that SQLite has on it in this process, so it is opened before SQLite
    opens it, once, and closed last. Creates the database file, for this user only.
    """

    def __init__(self, path: Path) -> None:
        self._file: int | None = None
        self._identity: tuple[int, int] | None = None
        lock = path.with_name(path.name + "-claim")  # all releases must lock the same file
        try:
            disk.create_file(lock)
            self._connection = sqlite3.connect(lock, timeout=0, isolation_level=None, check_same_thread=False)
        except (OSError, sqlite3.OperationalError) as error:
            raise _unwritable(path, error) from error
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
            self._lock_file(path)
        except sqlite3.OperationalError as error:
            self.release()
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise _unwritable(path, error) from error
            raise _in_use(path, str(error)) from error
        except OSError as error:
            self.release()
            raise _unwritable(path, error) from error
        except BaseException:
            self.release()
            raise

    def _lock_file(self, path: Path) -> None:
        if path.exists():
            identity = _identity(path)
            if identity in _locked_here:
                raise _in_use(path, "under another name")
            self._file = os.open(path, os.O_RDONLY)
        else:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT, disk.PRIVATE_FILE)
            identity = _identity(path)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                raise _in_use(path, "under another name") from error
            # a file system without such locks: the lock beside the database has to do
        _locked_here.add(identity)
        self._identity = identity

    def release(self) -> None:
        if self._identity is not None:
            _locked_here.discard(self._identity)
            self._identity = None
        if self._file is not None:
            os.close(self._file)
            self._file = None
        self._connection.close()


def _in_use(path: Path, why: str) -> StoreError:
    return StoreError(
        f"{path} is in use by another strikewatch ({why}): stop it, or name another database here"
    )


def _unwritable(path: Path, error: Exception) -> StoreError:
    return StoreError(
        f"{path} cannot be used ({error}): its folder {path.parent} must be writable for this user, "
        "with room on its disk"
    )


def _identity(path: Path | str) -> tuple[int, int]:
    found = os.stat(path)  # noqa: PTH116  # each step calls it, and Path takes three times as long
    return found.st_dev, found.st_ino
