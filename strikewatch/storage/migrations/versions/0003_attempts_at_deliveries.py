"""What was tried with each message, and who asked for it to be looked at anew."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0003"
down_revision: Final = "0002"


def upgrade() -> None:
    seq = sa.BigInteger().with_variant(sa.Integer, "sqlite")
    op.create_table(
        "attempts",
        sa.Column("seq", seq, primary_key=True, autoincrement=True),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in ("outbox_seq", "at_ns", "took_us")),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("outcome", "story")),
        sqlite_autoincrement=True,
    )
    op.create_index("attempts_by_message", "attempts", ["outbox_seq"])
    op.create_table(
        "nudges",
        sa.Column("endpoint", sa.Text, primary_key=True),
        sa.Column("n", sa.Integer, nullable=False),
    )
