"""Bouts of firing: seconds judged and suspected blank, blows, levels."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0004"
down_revision: Final = "0003"


def upgrade() -> None:
    op.create_table(
        "bouts",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("hammer", sa.Text, primary_key=True),
        sa.Column("start_ns", sa.BigInteger, primary_key=True),
        sa.Column("end_ns", sa.BigInteger, nullable=False),
        sa.Column("operator", sa.Text),
        sa.Column("tool", sa.Text),
        sa.Column("judged_ns", sa.BigInteger, nullable=False),
        sa.Column("blank_ns", sa.BigInteger, nullable=False),
        sa.Column("not_judged", sa.Text),
        *(sa.Column(name, sa.BigInteger) for name in ("blows", "blank_blows")),
        *(
            sa.Column(name, sa.Double)
            for name in ("level_bar", "loaded_level_bar", "rate_hz", "pulse_spread_bar")
        ),
        sqlite_with_rowid=False,
    )
    op.create_index("bouts_by_start", "bouts", ["start_ns"])
