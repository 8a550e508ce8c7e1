"""Which tables a database holds, and how those of an earlier release become those of this one.

A new database gets the tables as `tables.py` has them, an older one is taken there step by step by the files in
`migrations/versions`; a test holds both to be the same. Alembic is loaded only where there is something to do.
"""

from typing import Any, Final

from sqlalchemy import (
    Column,
    Connection,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    inspect,
    select,
    text,
)

from strikewatch.errors import StoreError
from strikewatch.storage.schema import access_tables as _access_tables  # noqa: F401 - and so do these
from strikewatch.storage.schema import alarm_tables as _alarm_tables  # noqa: F401 - they add themselves to the metadata
from strikewatch.storage.schema import bout_tables as _bout_tables  # noqa: F401 - and so do these
from strikewatch.storage.schema import delivery_tables as _delivery_tables  # noqa: F401 - and so do these
from strikewatch.storage.schema import feed_tables as _feed_tables  # noqa: F401 - and so do these
from strikewatch.storage.schema import tables

VERSION_TABLE: Final = "strikewatch_revision"
"""Its presence says that a database is ours; alembic keeps the revision in it."""
BEFORE: Final = "strikewatch_schema"
"""What the first release had in its place."""
FIRST: Final = "0001"

_versions: Final = Table(
    VERSION_TABLE,
    MetaData(),
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name=f"{VERSION_TABLE}_pkc"),
)


def found(connection: Connection, name: str) -> str | None:
    """The revision of the database called `name`; None for an empty one.

    Raises StoreError for another program's database and for one of a newer release.
    """
    names = set(inspect(connection).get_table_names())
    if not names:
        return None
    if VERSION_TABLE in names:
        revision = connection.scalar(select(_versions.c.version_num))
        if revision != tables.REVISION and revision not in _known():
            raise StoreError(
                f"{name} holds tables of revision {revision}, this program knows them up to {tables.REVISION}: "
                "use the newer program that wrote it, or restore a copy from before"
            )
        return str(revision)
    if BEFORE in names and connection.scalar(text(f"SELECT version FROM {BEFORE}")) == 1:
        return BEFORE
    raise StoreError(f"{name} is another program's database: name another")


def make(connection: Connection) -> None:
    """All tables in an empty database."""
    tables.metadata.create_all(connection)
    _versions.create(connection)
    connection.execute(_versions.insert(), {"version_num": tables.REVISION})


def upgrade(connection: Connection, revision: str, to: str = tables.REVISION) -> None:
    """Take an older database, of the `revision` found, to this program's tables, in the caller's transaction."""
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection
    if revision == BEFORE:
        command.stamp(config, FIRST)
        connection.execute(text(f"DROP TABLE {BEFORE}"))
    command.upgrade(config, to)


def _known() -> set[str]:
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}


def _config() -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "strikewatch.storage:migrations")
    config.set_main_option("path_separator", "os")
    return config
