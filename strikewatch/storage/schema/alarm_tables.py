"""Tables of how people handle alerts, and of what is sent of them.

Instants are int64 nanoseconds UTC. Event time: `onset`, and `began` and `until` of storms; all others are wall time.
"""

from typing import Final

from sqlalchemy import BigInteger, Boolean, Column, Index, Integer, Table, Text, text

from strikewatch.storage.schema.tables import metadata, numbered

handling: Final = Table(
    "handling",
    metadata,
    Column("site", Text, primary_key=True),
    Column("id", Text, primary_key=True),
    Column("hammer", Text, nullable=False),
    Column("fault", Text, nullable=False),
    Column("onset_ns", BigInteger, nullable=False),
    Column("state", Text, nullable=False),  # of `engine.lifecycle`
    Column("since_ns", BigInteger, nullable=False),  # of that state
    Column("priority", Text, nullable=False),
    Column("sent_as", Text, nullable=False),  # how it was sent: "" (not yet), alone or digest
    Column("sent_priority", Text, nullable=False),  # the highest priority that was sent
    # for floods: "" (not), all, or stream (its hammer and fault only)
    Column("counts", Text, nullable=False),
    Column("storm", BigInteger),  # the flood or chattering episode that holds or held it
    Column("held", Boolean, nullable=False),  # whether it is held for the next digest
    Column("due_ns", BigInteger),  # when its delay, shelf or stay ends
    sqlite_with_rowid=False,
)
"""One row per alert, from its first change on."""

# Conditions of partial indexes. SQLite uses an index only if a query repeats its condition to the letter.
DUE: Final = handling.c.due_ns.is_not(None)
HELD: Final = text("held")
COUNTED: Final = text("counts <> ''")
OPEN: Final = text("state <> 'normal'")
for _name, _where, _columns in (
    ("handling_due", DUE, (handling.c.due_ns,)),
    ("handling_held", HELD, (handling.c.storm,)),
    ("handling_counted", COUNTED, (handling.c.site, handling.c.onset_ns)),
    ("handling_open", OPEN, (handling.c.site, handling.c.hammer, handling.c.fault)),
):
    Index(_name, *_columns, sqlite_where=_where)

history: Final = Table(
    "history",
    metadata,
    numbered(),
    Column("site", Text, nullable=False),
    Column("hammer", Text, nullable=False),
    Column("fault", Text, nullable=False),  # "" for a whole hammer
    Column("alert_id", Text, nullable=False),  # "" for a shelf or a hammer
    Column("at_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("event", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("from_state", Text, nullable=False),
    Column("to_state", Text, nullable=False),
    sqlite_autoincrement=True,
)
Index("history_by_alert", history.c.alert_id)

shelves: Final = Table(
    "shelves",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("fault", Text, primary_key=True),
    Column("until_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("upto", Text, nullable=False),
    Column("since_ns", BigInteger, nullable=False),
)
"""Hammers and faults that are shelved now: their active alerts and new ones."""

workshop: Final = Table(
    "workshop",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("until_ns", BigInteger),  # null: until someone puts it in service
    Column("who", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("since_ns", BigInteger, nullable=False),
)
"""Hammers that are out of service now."""

storms: Final = Table(
    "storms",
    metadata,
    numbered(),
    Column("kind", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("hammer", Text, nullable=False),  # "" for a flood, as is the fault
    Column("fault", Text, nullable=False),
    Column("began_ns", BigInteger, nullable=False),
    Column("until_ns", BigInteger, nullable=False),
    Column("digests", Integer, nullable=False),  # sent so far
    Column("held_ns", BigInteger),  # since when an alert is held that no digest has listed yet
    Column("due_ns", BigInteger),  # when the next digest goes out
    sqlite_autoincrement=True,
)
STORM_DUE: Final = storms.c.due_ns.is_not(None)
Index("storms_by_span", storms.c.site, storms.c.until_ns)
Index("storms_due", storms.c.due_ns, sqlite_where=STORM_DUE)
