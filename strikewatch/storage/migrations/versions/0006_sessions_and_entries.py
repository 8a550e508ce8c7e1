"""Sessions of the page, and who entered an event there."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0006"
down_revision: Final = "0005"


def upgrade() -> None:
    op.create_table(
        "sessions",
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("ends_ns", sa.BigInteger, nullable=False),
    )
    op.add_column("events", sa.Column("who", sa.Text))
    op.add_column("events", sa.Column("corrects", sa.BigInteger))
