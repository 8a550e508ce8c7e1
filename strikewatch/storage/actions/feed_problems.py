"""Problems in the data of each sender, counted in the step's transaction and listed for people.

A problem is a sender, a reason and, for unknown keys, the key. At most `MAX_PROBLEMS` are kept. A sender that makes up
topics or keys displaces only the rarest ones, whose counts are added to the row of all other senders.
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
    false,
    func,
    literal_column,
    or_,
    select,
)

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.printable import printable
from strikewatch.sources.reasons import explain
from strikewatch.storage.commit.prepared import InsertInto, PreparedWrite
from strikewatch.storage.commit.step import FeedCount, Reject
from strikewatch.storage.queries.sites import Sites, of_sites
from strikewatch.storage.schema.tables import feed_problems, rejects

MAX_PROBLEMS: Final = 1000
"""How many problems are kept, of all senders together."""
OTHERS: Final = ""
"""The sender of the row that sums up all problems no longer kept individually, and messages of invented sites."""
OTHERS_NAME: Final = "other senders"
SENDER_LENGTH: Final = 200
DETAIL_LENGTH: Final = 1000
PAYLOAD_LENGTH: Final = 1024
"""How many bytes of a problem's first payload are kept."""
HARMLESS: Final = frozenset({"duplicate"})
"""Reasons that lose no data: listed, but not counted as problems."""
DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class Problem:
    """One recorded problem.

    `recent`: its count for today and yesterday (UTC). `detail` and `payload`: of its first occurrence.
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
        """Return the sender's name for people."""
        return self.sender or OTHERS_NAME

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
    """One rejected payload, or a set of rows that were not used; cut to its beginning."""

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
    """Return any bytes as one line of printable text, cut to `limit` characters and an ellipsis."""
    return printable(payload[: limit + 1].decode("utf-8", "backslashreplace"), limit)


def record(
    connection: Connection, rejected: Iterable[Reject], counted: Iterable[FeedCount], now: Instant
) -> None:
    """Add a step's rejects and counts, within its transaction."""
    rows: dict[tuple[str, str, str], dict[str, Any]] = {}
    for reject in rejected:
        site, hammer = reject.key or ("", "")
        sender = reject.topic[:SENDER_LENGTH] if reject.key is None else "/".join(filter(None, reject.key))
        _add(rows, sender, site, hammer, reject.reason, "", reject.rows, reject.detail, reject.payload, now)
    for count in counted:
        _add(rows, "/".join(count.key), *count.key, count.reason, count.name, count.n, count.detail, b"", now)
    if not rows:
        return
    _COUNT.run(connection, list(rows.values()))
    total = connection.scalar(select(func.count()).select_from(feed_problems)) or 0
    if total > MAX_PROBLEMS:
        _merge_rarest(connection, total - MAX_PROBLEMS, now)


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
            "detail": printable(detail, DETAIL_LENGTH),
            "payload": payload[:PAYLOAD_LENGTH],
        }
    else:
        row["n"] += n
        row["day_n"] += n


_ONE, _ZERO = (
    literal_column("1", Integer),
    literal_column("0", Integer),
)  # literals: a `PreparedWrite` binds nothing but its columns


def _count(into: InsertInto) -> Insert:
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


_COUNT: Final = PreparedWrite(_count, [column.name for column in feed_problems.columns])
_SAME_KEY: Final = and_(
    *(feed_problems.c[name] == bindparam(f"the_{name}") for name in ("sender", "reason", "key"))
)


def _merge_rarest(connection: Connection, excess: int, now: Instant) -> None:
    """Merge the rarest problems, the oldest of them first, into the row of all other senders."""
    c = feed_problems.c
    least = (
        select(c.sender, c.reason, c.key, c.n)
        .where(c.sender != OTHERS)
        .order_by(c.n, c.last_ns)
        .limit(excess + MAX_PROBLEMS // 20)
    )
    found = connection.execute(least).all()
    connection.execute(
        delete(feed_problems).where(_SAME_KEY),
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
    sites: Sites = None,
) -> list[Problem]:
    """Return the problems last seen at `since` or later, newest first.

    With `sites`, without those of senders that name no site.
    """
    c = feed_problems.c
    query = (
        select(feed_problems).order_by(c.last_ns.desc(), c.n.desc(), c.sender, c.reason, c.key).limit(limit)
    )
    query = query.where(*of_sites(c.site, sites))
    if sender == OTHERS_NAME:
        sender = OTHERS
    for column, wanted in ((c.site, site), (c.hammer, hammer), (c.sender, sender)):
        if wanted is not None:
            query = query.where(column == wanted)
    if since is not None:
        query = query.where(c.last_ns >= since)
    return [_problem(row, now // DAY) for row in connection.execute(query).mappings()]


def senders_since(connection: Connection, since: Instant, sites: Sites = None) -> int:
    """Count the senders that had a problem since an instant."""
    c = feed_problems.c
    query = select(func.count(c.sender.distinct())).where(c.last_ns >= since, c.reason.not_in(HARMLESS))
    return connection.scalar(query.where(*of_sites(c.site, sites))) or 0


def examples(connection: Connection, sender: str, limit: int) -> list[Example]:
    """Return the newest of a sender's rejected payloads and unused rows that are still kept.

    For a site these are of the hammers that were refused there, for `OTHERS_NAME` of the sites that were refused.
    """
    c = rejects.c
    ends = tuple(f"/{sender}/{kind}" for kind in ("samples", "events"))
    refused_site = c.reason == "too_many_sites" if sender == OTHERS_NAME else false()
    refused_at_site = and_(c.reason == "too_many_hammers", c.topic.contains(f"/{sender}/", autoescape=True))
    query = (
        select(c.received_ns, c.topic, c.reason, c.detail, c.payload)
        .where(
            or_(
                c.topic == sender,
                *(c.topic.endswith(end, autoescape=True) for end in ends),
                refused_at_site,
                refused_site,
            )
        )
        .order_by(c.seq.desc())
    )
    found = []
    for at, topic, reason, detail, payload in connection.execute(query):
        at_site = topic.split("/")[-3:-2] == [sender]
        exact = topic == sender or topic.endswith(ends)  # LIKE may ignore case in the database
        if exact or at_site or sender == OTHERS_NAME:
            found.append(
                Example(
                    at,
                    printable(topic, SENDER_LENGTH),
                    reason,
                    printable(detail, DETAIL_LENGTH),
                    bytes(payload),
                )
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
