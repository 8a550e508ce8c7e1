"""The session at the broker: the client id that is used without a setting, and when the session was last held."""

from typing import Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0009"
down_revision: Final = "0008"
EARLIER_DEFAULT: Final = "strikewatch"
"""The client id of earlier releases: the broker may still queue messages under it."""


def upgrade() -> None:
    made = op.create_table(
        "broker_session",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("client_id", sa.Text, nullable=False),
        sa.Column("held_ns", sa.BigInteger),
    )
    newest = op.get_bind().scalar(
        sa.text(
            "SELECT MAX(at) FROM (SELECT MAX(received_ns) AS at FROM arrived UNION ALL "
            "SELECT MAX(written_ns) FROM segments UNION ALL SELECT MAX(received_ns) FROM events UNION ALL "
            "SELECT MAX(received_ns) FROM rejects) AS newest"
        )
    )
    if newest is not None:
        op.bulk_insert(made, [{"number": 1, "client_id": EARLIER_DEFAULT, "held_ns": newest}])
