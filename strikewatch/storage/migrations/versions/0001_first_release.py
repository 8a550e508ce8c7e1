"""The tables of the first release. What is written here never changes: `tables.py` moves on, this stays."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0001"
down_revision: Final = None

_SEQ: Final = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "hammer_state",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("hammer", sa.Text, primary_key=True),
        sa.Column("layout", sa.Text, nullable=False),
        sa.Column("state", sa.LargeBinary, nullable=False),
        sqlite_with_rowid=False,
    )
    _alerts()
    _events()
    _outbox()
    _recordings()
    op.create_table(
        "rejects",
        _numbered(),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.Column("received_ns", sa.BigInteger, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "reject_counts",
        sa.Column("reason", sa.Text, primary_key=True),
        sa.Column("n", sa.BigInteger, nullable=False),
    )


def _alerts() -> None:
    op.create_table(
        "alerts",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("hammer", sa.Text, nullable=False),
        sa.Column("fault", sa.Text, nullable=False),
        sa.Column("operator", sa.Text),
        sa.Column("priority", sa.Text, nullable=False),
        sa.Column("onset_ns", sa.BigInteger, nullable=False),
        sa.Column("cleared_ns", sa.BigInteger),
        sa.Column("historic", sa.Boolean, nullable=False),
        sa.Column("ahead", sa.Integer, nullable=False),
        sa.Column("record", sa.Text, nullable=False),
        sa.Column("first_seen_ns", sa.BigInteger, nullable=False),
        sa.Column("updated_ns", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("alerts_by_onset", "alerts", ["site", "onset_ns"])
    _partial("alerts_open", "alerts", ["onset_ns"], "cleared_ns IS NULL OR ahead != 0")


def _events() -> None:
    op.create_table(
        "events",
        _numbered(),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("hammer", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("time_ns", sa.BigInteger, nullable=False),
        sa.Column("fields", sa.Text, nullable=False),
        sa.Column("applied_ns", sa.BigInteger),
        sa.Column("received_ns", sa.BigInteger, nullable=False),
        sa.UniqueConstraint("site", "hammer", "kind", "time_ns", "fields"),
    )
    _partial("events_pending", "events", ["time_ns"], "applied_ns IS NULL")


def _outbox() -> None:
    op.create_table(
        "outbox",
        _numbered(),
        sa.Column("endpoint", sa.Text, nullable=False),
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("alert_id", sa.Text, nullable=False),
        sa.Column("step", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("created_ns", sa.BigInteger, nullable=False),
        sa.Column("due_ns", sa.BigInteger, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("last_outcome", sa.Text),
        sa.Column("finished_ns", sa.BigInteger),
        sa.UniqueConstraint("endpoint", "message"),
        sqlite_autoincrement=True,
    )
    _partial("outbox_waiting", "outbox", ["endpoint", "seq"], "state = 'waiting'")
    op.create_table(
        "endpoints",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("url", sa.Text, nullable=False),
        sa.Column("off_ns", sa.BigInteger),
        sa.Column("reason", sa.Text),
    )


def _recordings() -> None:
    op.create_table(
        "arrived",
        _numbered(),
        sa.Column("received_ns", sa.BigInteger, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("rows", sa.LargeBinary, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "segments",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("began_ns", sa.BigInteger, nullable=False),
        sa.Column("first_seq", sa.BigInteger, nullable=False),
        sa.Column("last_seq", sa.BigInteger, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("written_ns", sa.BigInteger),
        sa.Column("size", sa.BigInteger, nullable=False),
    )


def _numbered() -> sa.Column[Any]:
    return sa.Column("seq", _SEQ, primary_key=True, autoincrement=True)


def _partial(name: str, table: str, columns: list[str], where: str) -> None:
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))
