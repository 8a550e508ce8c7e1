"""Run by alembic for every command, on the caller's connection and in its transaction."""

from alembic import context

from strikewatch.storage.schema import VERSION_TABLE
from strikewatch.storage.schema.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
)
context.run_migrations()
