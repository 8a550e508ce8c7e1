"""A PostgreSQL server as the database: one writer's session, which holds the claim, and readers beside it.

A lost writer's session ends the processor: the claim went with it, and whether its last transaction was
committed only the server knows. Started again it goes on from what is there, and the broker sends the rest again.
"""

from typing import Any, Final

import structlog
from sqlalchemy import URL, Connection, create_engine, event, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import NullPool

from strikewatch.errors import StoreError
from strikewatch.storage.engines.database import Refusal

_log = structlog.get_logger(__name__)

CLAIM_WAIT: Final = "3s"
"""A killed processor's session may need a moment to end."""
LOCK_NOT_AVAILABLE: Final = "55P03"
LOCKED: Final = (LOCK_NOT_AVAILABLE, "40P01", "40001", "57014")
"""Lock not available, deadlock, serialization failure, statement cancelled (by a time-out)."""
FULL: Final = ("53100", "53200")
"""Disk full, out of memory."""
READ_ONLY: Final = "25006"
"""A server that stands by, or was set so."""
_CLAIM: Final = text("SELECT pg_advisory_lock(1398229074, hashtext(current_schema()))")
_QUICK: Final = {
    "connect_timeout": 10,
    "application_name": "strikewatch",
    "client_encoding": "utf8",
    # a server that has gone is noticed within half a minute; below, so that it notices the same of us
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 4,
    "tcp_user_timeout": 30_000,
}


class PostgresqlServer:
    """A database at a server. Raises StoreError where its driver is missing."""

    remedy: Final = "Check that the server is reachable, has room, and lets this user make and write tables"

    def __init__(self, url: URL) -> None:
        self.name = url.render_as_string(hide_password=True)
        url = url.set(drivername="postgresql+psycopg")
        try:
            self.engine = create_engine(url, connect_args=_QUICK, poolclass=NullPool)
            self.readers = create_engine(url, connect_args=_QUICK, isolation_level="AUTOCOMMIT")
        except ImportError as error:
            raise StoreError(
                f"{self.name} needs the driver psycopg ({error}): pip install 'strikewatch[postgresql]'"
            ) from error
        for engine in (self.engine, self.readers):
            event.listen(engine, "connect", _prepare)

    def connect(self) -> Connection:
        """The writer's connection, which holds the claim."""
        connection = self.engine.connect()
        try:
            with connection.begin():
                _require(connection, self.name)
                connection.execute(text(f"SET LOCAL lock_timeout = '{CLAIM_WAIT}'"))
                connection.execute(_CLAIM)
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

    def check(self) -> None:
        """A lost session tells by itself."""

    def copy(self) -> None:
        """Copies are the server's business (`pg_dump`); the upgrade is one transaction."""

    def compact(self, writer: Connection) -> None:
        """Rows that are no longer valid go at once rather than some day."""
        del writer
        with self.readers.connect() as connection:
            connection.execute(text("VACUUM"))

    def refusal(self, error: BaseException) -> Refusal | None:
        state = getattr(error, "sqlstate", None)
        if state == READ_ONLY:
            return "unwritable"
        return "full" if state in FULL else "locked" if state in LOCKED else None

    def make_room(self) -> str:
        """The server's disk is not ours."""
        return "disk full: the database's server has no room left"

    def keep_room(self) -> None:
        """Likewise."""

    def release(self) -> None:
        self.engine.dispose()
        self.readers.dispose()


def _prepare(session: Any, _record: Any) -> None:
    """What is committed is on the disk, however lightly the server takes it by default."""
    with session.cursor() as cursor:
        for name, value in (("idle", 10), ("interval", 5), ("count", 4)):
            cursor.execute(f"SET tcp_keepalives_{name} = {value}")
        (how,) = cursor.execute("SHOW synchronous_commit").fetchone()
        if how == "off":
            cursor.execute("SET synchronous_commit = on")
        (sync,) = cursor.execute("SHOW fsync").fetchone()
    session.commit()
    if sync == "off":
        _log.warning("postgresql_fsync_off", remedy="a power cut can cost acknowledged data: set fsync = on")


def _require(connection: Connection, name: str) -> None:
    encoding = connection.scalar(text("SHOW server_encoding"))
    if encoding != "UTF8":
        raise StoreError(f"{name} holds text as {encoding}: make the database anew with ENCODING 'UTF8'")
