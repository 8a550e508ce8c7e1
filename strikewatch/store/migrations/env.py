"""Run by alembic for every command: on the connection, and in the transaction, of whoever calls."""

from alembic import context

from strikewatch.store.revision import VERSION_TABLE
from strikewatch.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
)
context.run_migrations()
