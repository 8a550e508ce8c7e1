"""What was wrong with the data that was sent, by sender, reason and key; begun from the rejects that are kept."""

from typing import Any, Final

import sqlalchemy as sa
from alembic import op

revision: Final = "0008"
down_revision: Final = "0007"
_DAY_NS: Final = 86_400 * 1_000_000_000


def upgrade() -> None:
    made = op.create_table(
        "feed_problems",
        sa.Column("sender", sa.Text, primary_key=True),
        sa.Column("reason", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("hammer", sa.Text, nullable=False),
        sa.Column("n", sa.BigInteger, nullable=False),
        sa.Column("day", sa.Integer, nullable=False),
        sa.Column("day_n", sa.BigInteger, nullable=False),
        sa.Column("before_n", sa.BigInteger, nullable=False),
        sa.Column("first_ns", sa.BigInteger, nullable=False),
        sa.Column("last_ns", sa.BigInteger, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("feed_problems_by_last", "feed_problems", ["last_ns"])
    op.bulk_insert(made, _kept(op.get_bind()))


def _kept(connection: sa.Connection) -> list[dict[str, Any]]:
    """Rows from the rejects at hand, at most 1,000 of them."""
    kept = sa.table(
        "rejects",
        *(sa.column(name) for name in ("seq", "topic", "reason", "detail", "payload", "received_ns")),
    )
    c = kept.c
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for topic, reason, detail, payload, at in connection.execute(
        sa.select(c.topic, c.reason, c.detail, c.payload, c.received_ns).order_by(c.seq)
    ):
        site, hammer = _names(topic)
        sender = f"{site}/{hammer}" if hammer else topic[:200]
        day = at // _DAY_NS
        row = found.get((sender, reason))
        if row is None:
            if len(found) == 1000:
                continue
            found[sender, reason] = {
                "sender": sender,
                "reason": reason,
                "key": "",
                "site": site,
                "hammer": hammer,
                "n": 1,
                "day": day,
                "day_n": 1,
                "before_n": 0,
                "first_ns": at,
                "last_ns": at,
                "detail": detail,
                "payload": bytes(payload)[:1024],
            }
            continue
        if day != row["day"]:
            row["before_n"] = row["day_n"] if day == row["day"] + 1 else 0
            row["day"], row["day_n"] = day, 0
        row["n"] += 1
        row["day_n"] += 1
        row["last_ns"] = at
    return list(found.values())


def _names(topic: str) -> tuple[str, str]:
    """Site and hammer: of `site/hammer` (rows that were not used) or `…/site/hammer/samples`."""
    levels = topic.split("/")
    if len(levels) == 2:
        return levels[0], levels[1]
    if len(levels) >= 4 and levels[-1] in ("samples", "events") and levels[-3] and levels[-2]:
        return levels[-3], levels[-2]
    return "", ""
