"""Tokens that are limited to sites, the browsers that get notifications, and an index for searches at all sites."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0011"
down_revision: Final = "0010"


def upgrade() -> None:
    op.add_column("tokens", sa.Column("sites", sa.Text))
    op.create_index("alerts_by_time", "alerts", ["onset_ns"])
    op.create_table(
        "push_subscriptions",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("url", sa.Text, nullable=False),
        sa.Column("public_key", sa.Text, nullable=False),
        sa.Column("auth", sa.Text, nullable=False),
        sa.Column("lowest", sa.Text, nullable=False),
        sa.Column("made_ns", sa.BigInteger, nullable=False),
    )
