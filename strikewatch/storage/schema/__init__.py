"""The tables, and the schema version of a database. Here: what a reader without SQLAlchemy needs to know."""

from typing import Final

SCHEMA_VERSION: Final = "0014"
"""Number of the newest file in `migrations/versions`; the migrations upgrade older databases to `tables`."""
VERSION_TABLE: Final = "strikewatch_revision"
"""The table that marks a database as ours; alembic keeps the schema version in it."""
