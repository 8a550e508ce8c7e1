"""The embedded database: how SQLite is opened so that a committed step survives a power cut.

WAL with synchronous FULL, and BEGIN IMMEDIATE for every transaction that writes: one that begins as a reader
and turns writer fails at once, whatever the busy timeout says.
"""

import sqlite3
from pathlib import Path
from typing import Any, Final

import structlog
from sqlalchemy import URL, Connection, Engine, create_engine, event

from strikewatch.errors import StoreError

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


class Claim:
    """The right to write to a database, held by one process at a time and freed even by a killed one.

    It is SQLite's own file lock on a file beside the database, so it works wherever SQLite does.
    """

    def __init__(self, path: Path) -> None:
        lock = path.with_name(path.name + "-claim")
        self._connection = sqlite3.connect(lock, timeout=0, isolation_level=None, check_same_thread=False)
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            self._connection.close()
            raise StoreError(
                f"{path} is in use by another strikewatch ({error}): stop it, or name another database here"
            ) from error

    def release(self) -> None:
        self._connection.close()
