"""The edge nodes of Sparkplug sources: what their births said, and where each is in its sequence of messages."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0010"
down_revision: Final = "0009"


def upgrade() -> None:
    op.create_table(
        "sparkplug_nodes",
        sa.Column("source", sa.Text, primary_key=True),
        sa.Column("namespace", sa.Text, primary_key=True),
        sa.Column("group_id", sa.Text, primary_key=True),
        sa.Column("node_id", sa.Text, primary_key=True),
        sa.Column("layout", sa.Text, nullable=False),
        sa.Column("births", sa.Text, nullable=False),
        sa.Column("position", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
