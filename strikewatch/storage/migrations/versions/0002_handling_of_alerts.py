"""What people do with alerts, and storms. Alerts of before count as told; those that stand wait for acknowledgement."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0002"
down_revision: Final = "0001"

_SEQ: Final = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    _handling()
    op.create_index("outbox_by_alert", "outbox", ["alert_id"])
    op.create_table(
        "history",
        _numbered(),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("site", "hammer", "fault", "alert_id")),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        *(
            sa.Column(name, sa.Text, nullable=False)
            for name in ("who", "event", "why", "from_state", "to_state")
        ),
        sqlite_autoincrement=True,
    )
    op.create_index("history_by_alert", "history", ["alert_id"])
    op.create_table(
        "shelves",
        *(sa.Column(name, sa.Text, primary_key=True) for name in ("site", "hammer", "fault")),
        sa.Column("until_ns", sa.BigInteger, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("who", "reason", "upto")),
        sa.Column("since_ns", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "workshop",
        *(sa.Column(name, sa.Text, primary_key=True) for name in ("site", "hammer")),
        sa.Column("until_ns", sa.BigInteger),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("who", "reason")),
        sa.Column("since_ns", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "storms",
        _numbered(),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("kind", "site", "hammer", "fault")),
        sa.Column("began_ns", sa.BigInteger, nullable=False),
        sa.Column("until_ns", sa.BigInteger, nullable=False),
        sa.Column("digests", sa.Integer, nullable=False),
        sa.Column("held_ns", sa.BigInteger),
        sa.Column("due_ns", sa.BigInteger),
        sqlite_autoincrement=True,
    )
    op.create_index("storms_by_span", "storms", ["site", "until_ns"])
    _partial("storms_due", "storms", ["due_ns"], "due_ns IS NOT NULL")


def _handling() -> None:
    op.create_table(
        "handling",
        *(sa.Column(name, sa.Text, primary_key=True) for name in ("site", "id")),
        sa.Column("hammer", sa.Text, nullable=False),
        sa.Column("fault", sa.Text, nullable=False),
        sa.Column("onset_ns", sa.BigInteger, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("since_ns", sa.BigInteger, nullable=False),
        *(
            sa.Column(name, sa.Text, nullable=False)
            for name in ("priority", "told", "told_priority", "counts")
        ),
        sa.Column("storm", sa.BigInteger),
        sa.Column("held", sa.Boolean, nullable=False),
        sa.Column("due_ns", sa.BigInteger),
        sqlite_with_rowid=False,
    )
    _partial("handling_due", "handling", ["due_ns"], "due_ns IS NOT NULL")
    _partial("handling_held", "handling", ["storm"], "held")
    _partial("handling_counted", "handling", ["site", "onset_ns"], "counts <> ''")
    _partial("handling_open", "handling", ["site", "hammer", "fault"], "state <> 'normal'")
    op.execute(
        "INSERT INTO handling (site, id, hammer, fault, onset_ns, state, since_ns, priority, told, told_priority, "
        "counts, held) SELECT site, id, hammer, fault, onset_ns, "
        "CASE WHEN cleared_ns IS NULL THEN 'unacknowledged' ELSE 'normal' END, updated_ns, priority, 'alone', "
        "priority, '', false FROM alerts"
    )


def _numbered() -> sa.Column[Any]:
    return sa.Column("seq", _SEQ, primary_key=True, autoincrement=True)


def _partial(name: str, table: str, columns: list[str], where: str) -> None:
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))
