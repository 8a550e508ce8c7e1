"""Who may use the HTTP interface."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0005"
down_revision: Final = "0004"


def upgrade() -> None:
    op.create_table(
        "tokens",
        sa.Column("who", sa.Text, primary_key=True),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("made_ns", sa.BigInteger, nullable=False),
        sa.Column("revoked_ns", sa.BigInteger),
    )
