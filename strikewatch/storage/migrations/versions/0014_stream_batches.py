"""By stream, the newest micro-batch whose outcome is in the database."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0014"
down_revision: Final = "0013"


def upgrade() -> None:
    op.create_table(
        "stream_batches",
        sa.Column("stream", sa.Text, primary_key=True),
        sa.Column("batch", sa.BigInteger, nullable=False),
        sa.Column("written_ns", sa.BigInteger, nullable=False),
    )
