"""What was wrong with the data that each sender sent: counted in the step's own transaction, and read by people.

A problem is a sender, a reason and, for unknown keys, the key. At most `KEPT` are kept: a sender that makes up topics
or keys only pushes out those that were seen least, whose counts are added to the row of all other senders.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Insert,
    Integer,
    and_,
    bindparam,
    case,
    delete,
    func,
    literal_column,
    or_,
    select,
)

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit.statements import Into, Prepared
from strikewatch.storage.commit.step import FeedCount, Reject
from strikewatch.storage.schema.feed_tables import feed_problems
from strikewatch.storage.schema.tables import rejects

KEPT: Final = 1000
"""Problems kept, of all senders."""
OTHERS: Final = ""
"""The sender of the counts of those that are no longer kept one by one."""
SENDER_LENGTH: Final = 200
DETAIL_LENGTH: Final = 1000
PAYLOAD_LENGTH: Final = 1024
"""Bytes kept of a problem's first payload."""
HARMLESS: Final = frozenset({"duplicate"})
"""Reasons by which nothing is lost: listed, but not counted as problems."""
DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem as it is on record.

    `recent`: how many today and yesterday (UTC). `detail` and `payload` are of the first.
    """

    sender: str
    site: str
    hammer: str
    reason: str
    key: str
    count: int
    recent: int
    first: Instant
    last: Instant
    detail: str
    payload: bytes

    @property
    def meaning(self) -> str:
        return explain(self.reason).meaning

    @property
    def remedy(self) -> str:
        return explain(self.reason).remedy

    @property
    def name(self) -> str:
        """What to call the sender."""
        return self.sender or "other senders"

    def json(self) -> dict[str, Any]:
        return {
            "sender": self.name,
            "site": self.site or None,
            "hammer": self.hammer or None,
            "reason": self.reason,
            "key": self.key or None,
            "count": self.count,
            "recent": self.recent,
            "first": instant.text(self.first),
            "last": instant.text(self.last),
            "meaning": self.meaning,
            "first_detail": self.detail,
            "first_payload": readable(self.payload),
            "remedy": self.remedy,
        }


@dataclass(frozen=True, slots=True)
class Example:
    """One rejected payload, or one lot of rows that were not used; the beginning of it."""

    at: Instant
    topic: str
    reason: str
    detail: str
    payload: bytes

    def json(self) -> dict[str, Any]:
        return {
            "at": instant.text(self.at),
            "topic": self.topic,
            "reason": self.reason,
            "detail": self.detail,
            "payload": readable(self.payload, 4 * PAYLOAD_LENGTH),
            "remedy": explain(self.reason).remedy,
        }


def readable(payload: bytes, limit: int = 200) -> str:
    """Bytes as printable text of at most `limit` characters and an ellipsis: whatever they are, on one line."""
    return printable(payload[: limit + 1].decode("utf-8", "backslashreplace"), limit)


def printable(text: str, limit: int = DETAIL_LENGTH) -> str:
    """Text without control characters, line breaks or changes of writing direction; at most `limit` characters."""
    shown = "".join(
        one if one.isprintable() else one.encode("unicode_escape").decode() for one in text[: limit + 1]
    )
    return shown if len(shown) <= limit else f"{shown[:limit]}…"


def record(
    connection: Connection, rejected: Iterable[Reject], counted: Iterable[FeedCount], now: Instant
) -> None:
    """Add a step's rejects and other counts, within its transaction."""
    rows: dict[tuple[str, str, str], dict[str, Any]] = {}
    for reject in rejected:
        site, hammer = reject.key or ("", "")
        sender = f"{site}/{hammer}" if hammer else reject.topic[:SENDER_LENGTH]
        _add(rows, sender, site, hammer, reject.reason, "", reject.rows, reject.detail, reject.payload, now)
    for one in counted:
        _add(rows, "/".join(one.key), *one.key, one.reason, one.name, one.n, one.detail, b"", now)
    if not rows:
        return
    _COUNT.run(connection, list(rows.values()))
    held = connection.scalar(select(func.count()).select_from(feed_problems)) or 0
    if held > KEPT:
        _fold(connection, held - KEPT, now)


def _add(
    rows: dict[tuple[str, str, str], dict[str, Any]],
    sender: str,
    site: str,
    hammer: str,
    reason: str,
    key: str,
    n: int,
    detail: str,
    payload: bytes,
    now: Instant,
) -> None:
    sender, key = printable(sender, SENDER_LENGTH), printable(key, 80)
    row = rows.get((sender, reason, key))
    if row is None:
        rows[sender, reason, key] = {
            "sender": sender,
            "reason": reason,
            "key": key,
            "site": site,
            "hammer": hammer,
            "n": n,
            "day": now // DAY,
            "day_n": n,
            "before_n": 0,
            "first_ns": now,
            "last_ns": now,
            "detail": printable(detail),
            "payload": payload[:PAYLOAD_LENGTH],
        }
    else:
        row["n"] += n
        row["day_n"] += n


_ONE, _ZERO = (
    literal_column("1", Integer),
    literal_column("0", Integer),
)  # a prepared statement takes no value unasked


def _count(into: Into) -> Insert:
    new, old = into(feed_problems), feed_problems.c
    given = new.excluded
    return new.on_conflict_do_update(
        index_elements=["sender", "reason", "key"],
        set_={
            "n": old.n + given.n,
            "before_n": case(
                (old.day == given.day, old.before_n), (old.day == given.day - _ONE, old.day_n), else_=_ZERO
            ),
            "day_n": case((old.day == given.day, old.day_n + given.day_n), else_=given.day_n),
            "day": given.day,
            "last_ns": given.last_ns,
        },
    )


_COUNT: Final = Prepared(_count, [column.name for column in feed_problems.columns])
_THIS: Final = and_(
    *(feed_problems.c[name] == bindparam(f"the_{name}") for name in ("sender", "reason", "key"))
)


def _fold(connection: Connection, excess: int, now: Instant) -> None:
    """Add those seen least, the oldest of them first, to the row of all other senders."""
    c = feed_problems.c
    least = (
        select(c.sender, c.reason, c.key, c.n)
        .where(c.sender != OTHERS)
        .order_by(c.n, c.last_ns)
        .limit(excess + KEPT // 20)
    )
    found = connection.execute(least).all()
    connection.execute(
        delete(feed_problems).where(_THIS),
        [{"the_sender": sender, "the_reason": reason, "the_key": key} for sender, reason, key, _ in found],
    )
    rows: dict[tuple[str, str, str], dict[str, Any]] = {}
    for _, reason, _, n in found:
        _add(rows, OTHERS, "", "", reason, "", n, "senders or keys too many to list one by one", b"", now)
    _COUNT.run(connection, list(rows.values()))


def search(
    connection: Connection,
    now: Instant,
    *,
    site: str | None = None,
    hammer: str | None = None,
    sender: str | None = None,
    since: Instant | None = None,
    limit: int | None = None,
) -> list[Problem]:
    """Problems that were last seen at `since` or later, the newest first."""
    c = feed_problems.c
    asked = (
        select(feed_problems).order_by(c.last_ns.desc(), c.n.desc(), c.sender, c.reason, c.key).limit(limit)
    )
    for column, wanted in ((c.site, site), (c.hammer, hammer), (c.sender, sender)):
        if wanted is not None:
            asked = asked.where(column == wanted)
    if since is not None:
        asked = asked.where(c.last_ns >= since)
    return [_problem(row, now // DAY) for row in connection.execute(asked).mappings()]


def senders_since(connection: Connection, since: Instant) -> int:
    """How many senders had a problem since then."""
    c = feed_problems.c
    asked = select(func.count(c.sender.distinct())).where(c.last_ns >= since, c.reason.not_in(HARMLESS))
    return connection.scalar(asked) or 0


def examples(connection: Connection, sender: str, limit: int) -> list[Example]:
    """The newest payloads and rows of a sender that were not used, of those that are still kept."""
    c = rejects.c
    ends = tuple(f"/{sender}/{kind}" for kind in ("samples", "events"))
    asked = (
        select(c.received_ns, c.topic, c.reason, c.detail, c.payload)
        .where(or_(c.topic == sender, *(c.topic.endswith(end, autoescape=True) for end in ends)))
        .order_by(c.seq.desc())
    )
    found = []
    for at, topic, reason, detail, payload in connection.execute(asked):
        if topic == sender or topic.endswith(ends):  # the database may not tell capitals from small letters
            found.append(
                Example(at, printable(topic, SENDER_LENGTH), reason, printable(detail), bytes(payload))
            )
        if len(found) == limit:
            break
    return found


def _problem(row: Mapping[Any, Any], today: int) -> Problem:
    recent = {today: row["day_n"] + row["before_n"], today - 1: row["day_n"]}.get(row["day"], 0)
    return Problem(
        row["sender"],
        row["site"],
        row["hammer"],
        row["reason"],
        row["key"],
        row["n"],
        recent,
        row["first_ns"],
        row["last_ns"],
        row["detail"],
        bytes(row["payload"]),
    )
