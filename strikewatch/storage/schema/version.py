"""The schema version of a database, and its upgrade from an earlier release.

A new database gets the tables as `tables.py` defines them; an older one is upgraded step by step by the files in
`migrations/versions`. A test checks that both are the same. Alembic is imported only when it is needed.
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
from strikewatch.storage.schema import SCHEMA_VERSION, VERSION_TABLE, tables
from strikewatch.storage.schema import alarm_tables as _alarm_tables  # noqa: F401 - imported to register their tables

FIRST_RELEASE_TABLE: Final = "strikewatch_schema"
"""The table that the first release had instead."""
FIRST_VERSION: Final = "0001"

_versions: Final = Table(
    VERSION_TABLE,
    MetaData(),
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name=f"{VERSION_TABLE}_pkc"),
)


def read_version(connection: Connection, name: str) -> str | None:
    """Return the schema version of a database; None for an empty one. `name`: of the database, for messages.

    Raises StoreError for another program's database, and for one of a newer release.
    """
    names = set(inspect(connection).get_table_names())
    if not names:
        return None
    if VERSION_TABLE in names:
        version = connection.scalar(select(_versions.c.version_num))
        if version != SCHEMA_VERSION and version not in _known_versions():
            raise StoreError(
                f"{name} has schema version {version}, this release knows versions up to {SCHEMA_VERSION}: "
                "use the newer release that wrote it, or restore an older backup"
            )
        return str(version)
    if (
        FIRST_RELEASE_TABLE in names
        and connection.scalar(text(f"SELECT version FROM {FIRST_RELEASE_TABLE}")) == 1
    ):
        return FIRST_RELEASE_TABLE
    raise StoreError(f"{name} is another program's database: choose another")


def create_tables(connection: Connection) -> None:
    """Create all tables in an empty database."""
    if connection.dialect.name == "postgresql":
        for table in tables.metadata.sorted_tables:
            for index in table.indexes:
                index.dialect_options["postgresql"]["where"] = index.dialect_options["sqlite"]["where"]
    tables.metadata.create_all(connection)
    _versions.create(connection)
    connection.execute(_versions.insert(), {"version_num": SCHEMA_VERSION})


def upgrade(connection: Connection, version: str, to: str = SCHEMA_VERSION) -> None:
    """Upgrade a database of an older `version` to this release's tables, in the caller's transaction."""
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection
    if version == FIRST_RELEASE_TABLE:
        command.stamp(config, FIRST_VERSION)
        connection.execute(text(f"DROP TABLE {FIRST_RELEASE_TABLE}"))
    command.upgrade(config, to)


def _known_versions() -> set[str]:
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}


def _config() -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "strikewatch.storage:migrations")
    config.set_main_option("path_separator", "os")
    return config
