"""A PostgreSQL server as the database: one session writes and holds the writer's lock, others read.

If the writing session is lost, the processor ends: the lock is gone with it, and only the server knows whether the last
transaction was committed. After a restart it continues from the database, and the broker sends the rest again.
"""

from contextlib import AbstractContextManager
from typing import Any, Final

import structlog
from sqlalchemy import URL, Connection, create_engine, event, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import NullPool

from strikewatch.errors import StoreError
from strikewatch.storage.engines import Refusal

_log = structlog.get_logger(__name__)

LOCK_WAIT: Final = "3s"
"""How long to wait for the writer's lock; the session of a killed processor may take a moment to end."""
LOCK_NOT_AVAILABLE: Final = "55P03"
LOCKED: Final = (LOCK_NOT_AVAILABLE, "40P01", "40001", "57014")
"""Lock not available, deadlock, serialization failure, statement cancelled (by a time-out)."""
FULL: Final = ("53100", "53200")
"""Disk full, out of memory."""
DATA: Final = ("22", "23")
"""Classes of errors: data exception, integrity constraint violation."""
READ_ONLY: Final = "25006"
"""A standby server, or one that was set to read-only."""
_TAKE_WRITER_LOCK: Final = text("SELECT pg_advisory_lock(1398229074, hashtext(current_schema()))")
_CONNECT_ARGS: Final = {
    "connect_timeout": 10,
    "application_name": "strikewatch",
    "client_encoding": "utf8",
    # notice a lost server within half a minute; `_prepare` lets the server notice a lost client in the same way
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 4,
    "tcp_user_timeout": 30_000,
}


class PostgresqlServer:
    """A database on a PostgreSQL server. Raises StoreError if the driver is missing."""

    remedy: Final = "Check that the server is reachable, has room, and lets this user create and write tables"

    def __init__(self, url: URL) -> None:
        self.name = url.render_as_string(hide_password=True)
        url = url.set(drivername="postgresql+psycopg")
        try:
            self.engine = create_engine(url, connect_args=_CONNECT_ARGS, poolclass=NullPool)
            self.readers = create_engine(url, connect_args=_CONNECT_ARGS, isolation_level="AUTOCOMMIT")
        except ImportError as error:
            raise StoreError(
                f"{self.name} needs the driver psycopg ({error}): pip install 'strikewatch[postgresql]'"
            ) from error
        for engine in (self.engine, self.readers):
            event.listen(engine, "connect", _prepare)

    def connect(self) -> Connection:
        """Open the writer's connection and take the writer's lock."""
        connection = self.engine.connect()
        try:
            with connection.begin():
                _check_encoding(connection, self.name)
                connection.execute(text(f"SET LOCAL lock_timeout = '{LOCK_WAIT}'"))
                connection.execute(_TAKE_WRITER_LOCK)
        except OperationalError as error:
            connection.close()
            if getattr(error.orig, "sqlstate", None) == LOCK_NOT_AVAILABLE:
                raise StoreError(
                    f"{self.name} is in use by another strikewatch: stop it, or name another database here"
                ) from error
            raise
        except BaseException:
            connection.close()
            raise
        return connection

    def transaction(self, writer: Connection) -> AbstractContextManager[object]:
        """Begin a transaction of the writer's connection; commit it at the end of the block, or roll it back."""
        return writer.begin()

    def version(self, writer: Connection) -> None:
        """Return None: a server has no such number."""

    def check(self) -> None:
        """Do nothing: a lost session raises an error by itself."""

    def copy_before_upgrade(self) -> None:
        """Make no copy: that is the server's task (`pg_dump`), and the upgrade is one transaction."""

    def compact(self, writer: Connection) -> None:
        """Vacuum, so that deleted rows are removed at once."""
        del writer
        with self.readers.connect() as connection:
            connection.execute(text("VACUUM"))

    def refusal(self, error: BaseException) -> Refusal | None:
        """Return why the server refused; None for an unknown error."""
        state = getattr(error, "sqlstate", None) or ""
        if state == READ_ONLY:
            return "unwritable"
        if state.startswith(DATA):
            return "data"
        return "full" if state in FULL else "locked" if state in LOCKED else None

    def release_reserve(self) -> str:
        """Return the disk warning; the server's disk has no reserve of ours."""
        return "disk full: the database's server has no room left"

    def restore_reserve(self) -> None:
        """Do nothing: there is no reserve on the server's disk."""

    def release(self) -> None:
        self.engine.dispose()
        self.readers.dispose()


def _prepare(session: Any, _record: Any) -> None:
    """Make the session durable: commits are synced, whatever the server's default is."""
    with session.cursor() as cursor:
        for name, value in (("idle", 10), ("interval", 5), ("count", 4)):
            cursor.execute(f"SET tcp_keepalives_{name} = {value}")
        (synchronous,) = cursor.execute("SHOW synchronous_commit").fetchone()
        if synchronous == "off":
            cursor.execute("SET synchronous_commit = on")
        (fsync,) = cursor.execute("SHOW fsync").fetchone()
    session.commit()
    if fsync == "off":
        _log.warning("postgresql_fsync_off", remedy="a power cut can cost acknowledged data: set fsync = on")


def _check_encoding(connection: Connection, name: str) -> None:
    encoding = connection.scalar(text("SHOW server_encoding"))
    if encoding != "UTF8":
        raise StoreError(
            f"{name} has the encoding {encoding}: create the database again with ENCODING 'UTF8'"
        )
