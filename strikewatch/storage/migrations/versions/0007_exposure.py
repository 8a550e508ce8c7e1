"""Exposure: operating and firing time by stretch of work."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0007"
down_revision: Final = "0006"


def upgrade() -> None:
    op.create_table(
        "exposure",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("hammer", sa.Text, primary_key=True),
        sa.Column("start_ns", sa.BigInteger, primary_key=True),
        sa.Column("end_ns", sa.BigInteger, nullable=False),
        sa.Column("operator", sa.Text),
        sa.Column("tool", sa.Text),
        sa.Column("operating_ns", sa.BigInteger, nullable=False),
        sa.Column("firing_ns", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("exposure_by_start", "exposure", ["start_ns"])
