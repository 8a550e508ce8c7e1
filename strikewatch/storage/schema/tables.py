"""The tables of samples, alerts, events, exposure, deliveries, feeds and access.

Instants are int64 nanoseconds UTC: event time in `onset`, `cleared`, `time`, `applied` and all of exposure, otherwise
the wall clock.
"""

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    or_,
)

metadata: Final = MetaData()
# Partial indexes are given with `sqlite_where` only: `version.create_tables` copies the condition for PostgreSQL, whose
# dialect is slow to import.

_SEQ: Final = BigInteger().with_variant(Integer, "sqlite")
"""An automatic number. SQLite numbers only INTEGER columns, which hold 64 bits there."""


def numbered() -> Column[int]:
    """Return a primary key that the database numbers."""
    return Column("seq", _SEQ, primary_key=True, autoincrement=True)


hammer_state: Final = Table(
    "hammer_state",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("layout", Text, nullable=False),
    Column("state", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)

alerts: Final = Table(
    "alerts",
    metadata,
    Column("site", Text, primary_key=True),
    Column("id", Text, primary_key=True),
    Column("hammer", Text, nullable=False),
    Column("fault", Text, nullable=False),
    Column("operator", Text),
    Column("priority", Text, nullable=False),
    Column("onset_ns", BigInteger, nullable=False),
    Column("cleared_ns", BigInteger),
    Column("historic", Boolean, nullable=False),
    Column("ahead", Integer, nullable=False),
    Column("record", Text, nullable=False),
    Column("first_seen_ns", BigInteger, nullable=False),
    Column("updated_ns", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
Index("alerts_by_onset", alerts.c.site, alerts.c.onset_ns)
Index("alerts_by_time", alerts.c.onset_ns)
OPEN: Final = or_(alerts.c.cleared_ns.is_(None), alerts.c.ahead != 0)
Index("alerts_open", alerts.c.onset_ns, sqlite_where=OPEN)

events: Final = Table(
    "events",
    metadata,
    numbered(),
    Column("site", Text, nullable=False),
    Column("hammer", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("time_ns", BigInteger, nullable=False),
    Column("fields", Text, nullable=False),
    Column("applied_ns", BigInteger),
    Column("received_ns", BigInteger, nullable=False),
    Column("who", Text),  # who logged it; null: it came as a message
    Column("corrects", BigInteger),  # number of the entry that this one replaces
    UniqueConstraint("site", "hammer", "kind", "time_ns", "fields"),
)
PENDING: Final = events.c.applied_ns.is_(None)
Index("events_pending", events.c.time_ns, sqlite_where=PENDING)

bouts: Final = Table(
    "bouts",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("start_ns", BigInteger, primary_key=True),
    Column("end_ns", BigInteger, nullable=False),
    Column("operator", Text),
    Column("tool", Text),
    Column("judged_ns", BigInteger, nullable=False),
    Column("blank_ns", BigInteger, nullable=False),
    Column("not_judged", Text),
    Column("blows", BigInteger),
    Column("blank_blows", BigInteger),
    Column("level_bar", Double),
    Column("loaded_level_bar", Double),
    Column("rate_hz", Double),
    Column("pulse_spread_bar", Double),
    sqlite_with_rowid=False,
)
Index("bouts_by_start", bouts.c.start_ns)

exposure: Final = Table(
    "exposure",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("start_ns", BigInteger, primary_key=True),
    Column("end_ns", BigInteger, nullable=False),
    Column("operator", Text),
    Column("tool", Text),
    Column("operating_ns", BigInteger, nullable=False),
    Column("firing_ns", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
Index("exposure_by_start", exposure.c.start_ns)

outbox: Final = Table(
    "outbox",
    metadata,
    numbered(),
    Column("endpoint", Text, nullable=False),
    Column("message", Text, nullable=False),  # a hash of the content: site, alert, step and body
    Column("site", Text, nullable=False),
    Column("alert_id", Text, nullable=False),
    Column("step", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("created_ns", BigInteger, nullable=False),
    Column("due_ns", BigInteger, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("state", Text, nullable=False),  # waiting, sent or parked
    Column("last_outcome", Text),
    Column("finished_ns", BigInteger),
    UniqueConstraint("endpoint", "message"),
    sqlite_autoincrement=True,
)
WAITING: Final = outbox.c.state == "waiting"
Index("outbox_by_alert", outbox.c.alert_id)
Index("outbox_waiting", outbox.c.endpoint, outbox.c.seq, sqlite_where=WAITING)

endpoints: Final = Table(
    "endpoints",
    metadata,
    Column("name", Text, primary_key=True),
    Column("url", Text, nullable=False),
    Column("off_ns", BigInteger),
    Column("reason", Text),
)

arrived: Final = Table(
    "arrived",
    metadata,
    numbered(),
    Column("received_ns", BigInteger, nullable=False),
    Column("size", Integer, nullable=False),
    Column("rows", LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)

segments: Final = Table(
    "segments",
    metadata,
    Column("site", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("began_ns", BigInteger, nullable=False),  # the name's instant: rises within a site
    Column("first_seq", BigInteger, nullable=False),
    Column("last_seq", BigInteger, nullable=False),
    Column("state", Text, nullable=False),  # planned, then written once its folder is complete
    Column("written_ns", BigInteger),
    Column("size", BigInteger, nullable=False),
)

rejects: Final = Table(
    "rejects",
    metadata,
    numbered(),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("received_ns", BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

reject_counts: Final = Table(
    "reject_counts",
    metadata,
    Column("reason", Text, primary_key=True),
    Column("n", BigInteger, nullable=False),
)


tokens: Final = Table(
    "tokens",
    metadata,
    Column("who", Text, primary_key=True),
    Column("role", Text, nullable=False),  # view, act or review
    Column("digest", Text, nullable=False),  # SHA-256, in hex
    Column("made_ns", BigInteger, nullable=False),
    Column("revoked_ns", BigInteger),
    Column("sites", Text),  # a JSON list of the only sites that it is good for; null: all
)

push_subscriptions: Final = Table(
    "push_subscriptions",
    metadata,
    Column("name", Text, primary_key=True),  # of its endpoint
    Column("who", Text, nullable=False),  # of tokens
    Column("url", Text, nullable=False),  # the browser's address at its push service
    Column("public_key", Text, nullable=False),  # of the browser, base64url
    Column("auth", Text, nullable=False),  # the secret it shares with us, base64url
    Column("lowest", Text, nullable=False),  # the lowest priority that is sent
    Column("made_ns", BigInteger, nullable=False),
)

sessions: Final = Table(
    "sessions",
    metadata,
    Column("digest", Text, primary_key=True),  # of the cookie, SHA-256, in hex
    Column("who", Text, nullable=False),  # of tokens
    Column("ends_ns", BigInteger, nullable=False),
)


attempts: Final = Table(
    "attempts",
    metadata,
    numbered(),
    Column("outbox_seq", BigInteger, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("took_us", BigInteger, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("story", Text, nullable=False),
    sqlite_autoincrement=True,
)
"""The newest delivery attempts."""
Index("attempts_by_message", attempts.c.outbox_seq)

nudges: Final = Table(
    "nudges",
    metadata,
    Column("endpoint", Text, primary_key=True),
    Column("n", Integer, nullable=False),
)
"""By endpoint, how often its waiting messages were changed from outside; its delivery loop reloads when this rises."""


feed_problems: Final = Table(
    "feed_problems",
    metadata,
    Column("sender", Text, primary_key=True),  # site/hammer, or a topic that names none; "": all others
    Column("reason", Text, primary_key=True),
    Column("key", Text, primary_key=True),  # the unknown key; "" for other reasons
    Column("site", Text, nullable=False),
    Column("hammer", Text, nullable=False),
    Column("n", BigInteger, nullable=False),
    Column("day", Integer, nullable=False),  # days since 1970, UTC, of the last one
    Column("day_n", BigInteger, nullable=False),  # on that day
    Column("before_n", BigInteger, nullable=False),  # on the day before
    Column("first_ns", BigInteger, nullable=False),
    Column("last_ns", BigInteger, nullable=False),
    Column("detail", Text, nullable=False),  # of the first
    Column("payload", LargeBinary, nullable=False),  # the beginning of the first
    sqlite_with_rowid=False,
)
Index("feed_problems_by_last", feed_problems.c.last_ns)

broker_session: Final = Table(
    "broker_session",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("client_id", Text, nullable=False),
    Column("held_ns", BigInteger),  # when the broker was last known to hold the session; null: never
    Column("filters", Text),  # JSON list: topic filters that the session may have; null: not known
)
"""One row, `SESSION_NUMBER`."""
SESSION_NUMBER: Final = 1

sparkplug_nodes: Final = Table(
    "sparkplug_nodes",
    metadata,
    Column("source", Text, primary_key=True),
    Column("namespace", Text, primary_key=True),
    Column("group_id", Text, primary_key=True),
    Column("node_id", Text, primary_key=True),
    Column("layout", Text, nullable=False),
    Column("births", Text, nullable=False),  # JSON: what the births said, written when they change
    Column("position", Text, nullable=False),  # JSON: where the node is in its sequence of messages
    sqlite_with_rowid=False,
)
"""The edge nodes of the Sparkplug sources, in the layout of `sources/decode/sparkplug`."""

stream_batches: Final = Table(
    "stream_batches",
    metadata,
    Column("stream", Text, primary_key=True),  # the id of a streaming query, from its checkpoint
    Column("batch", BigInteger, nullable=False),
    Column("written_ns", BigInteger, nullable=False),
)
"""By stream, the newest micro-batch whose outcome is in this database."""
