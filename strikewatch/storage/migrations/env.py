"""Run by alembic for every command, on the caller's connection and in its transaction."""

from alembic import context

from strikewatch.storage.schema.tables import metadata
from strikewatch.storage.schema.version import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
)
context.run_migrations()
