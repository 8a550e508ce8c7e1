"""The topic filters that the session at the broker is subscribed to; null: those of the contract's topics."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0011"
down_revision: Final = "0010"


def upgrade() -> None:
    op.add_column("broker_session", sa.Column("filters", sa.Text))
