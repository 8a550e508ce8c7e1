"""How an alert was sent, and its highest priority then: the columns get the names that the code has."""

from typing import Final

from alembic import op

revision: Final = "0013"
down_revision: Final = "0012"


def upgrade() -> None:
    # Both databases rename in place, also in the partial indexes.
    op.execute("ALTER TABLE handling RENAME COLUMN told TO sent_as")
    op.execute("ALTER TABLE handling RENAME COLUMN told_priority TO sent_priority")
