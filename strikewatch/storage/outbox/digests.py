"""Digests: one message that lists every alert that a flood or chattering episode has held, once that is due."""

import hashlib
import json
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, bindparam, or_, select, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.commit.prepared import PreparedWrite
from strikewatch.storage.schema.alarm_tables import HELD, STORM_DUE, handling, storms
from strikewatch.storage.schema.tables import alerts

DIGEST: Final = "digest"
MAX_LISTED: Final = 200
"""Largest number of alerts in one digest; more make a further digest."""
MAX_DIGESTS: Final = 10


@dataclass(frozen=True, slots=True)
class Digest:
    """The held alerts of one flood or chattering episode, in onset order. `number` counts its digests from 1.

    `hammer` and `fault`: empty for a flood. `began` and `until`: event time. `over`: whether the episode has ended, at
    `until`. An alert that an earlier digest listed as active is listed once more when it has ended.
    """

    kind: str
    site: str
    hammer: str
    fault: str
    began: Instant
    until: Instant
    over: bool
    number: int
    records: Sequence[dict[str, Any]]

    @property
    def id(self) -> str:
        """Return the episode's id, under which its digests keep their order."""
        name = f"{self.kind}\n{self.site}\n{self.hammer}\n{self.fault}\n{instant.text(self.began)}"
        return hashlib.blake2b(name.encode(), digest_size=12).hexdigest()

    def body(self, records: Sequence[dict[str, Any]] | None = None) -> dict[str, Any]:
        """Return the JSON object to send; `records` limits it to the alerts that an endpoint accepts."""
        listed = self.records if records is None else records
        return {
            "id": self.id,
            "kind": self.kind,
            "site": self.site,
            "hammer": self.hammer or None,
            "fault": self.fault or None,
            "began": instant.text(self.began),
            "until": instant.text(self.until) if self.over else None,
            "number": self.number,
            "count": len(listed),
            "summary": _summary(self.kind, self.hammer, self.fault, listed),
            "alerts": list(listed),
        }


def leave_out(body: Mapping[str, Any], alert_ids: Collection[str]) -> dict[str, Any] | None:
    """Return the body of a digest without some of its alerts; None if it lists no others."""
    listed = [record for record in body["alerts"] if record["id"] not in alert_ids]
    if not listed:
        return None
    summary = _summary(body["kind"], body["hammer"], body["fault"], listed)
    return {**body, "count": len(listed), "summary": summary, "alerts": listed}


def _summary(kind: str, hammer: str, fault: str, records: Sequence[Mapping[str, Any]]) -> str:
    first, last = records[0]["onset"][11:16], records[-1]["onset"][11:16]
    times = f"at {first}" if first == last else f"from {first} to {last}"
    number = f"{len(records)} alert" if len(records) == 1 else f"{len(records)} alerts"
    if kind == "chattering":
        return f"Chattering: {number} of {fault} at {hammer} {times} UTC, sent together."
    faults = Counter(record["fault"] for record in records).most_common()
    return f"Flood: {number} {times} UTC, sent together: {', '.join(f'{n} {fault}' for fault, n in faults)}."


def is_due(
    due: ColumnElement[int], now: Instant | ColumnElement[int], longest: Instant
) -> ColumnElement[bool]:
    """Return the condition that a time has come, or lies beyond the longest wait (the clock was set back)."""
    return or_(due <= now, due > now + longest)


def take_due_digests(connection: Connection, now: Instant, every: Instant) -> list[Digest]:
    """Return the digests that are due, oldest first, and mark their alerts as sent; none waits longer than `every`.

    Returns about `MAX_DIGESTS`, so that a flood does not block the next step; the others follow a second later.
    """
    due = storms.c.due_ns
    query = select(storms).where(STORM_DUE, is_due(due, now, every)).order_by(due, storms.c.seq)
    digests: list[Digest] = []
    for storm in connection.execute(query.limit(MAX_DIGESTS)).all():
        number = storm.digests
        episode = storm.kind, storm.site, storm.hammer, storm.fault, storm.began_ns, storm.until_ns
        done: dict[str, Any] = {"held_ns": None, "due_ns": None}
        while records := _take_held_records(connection, storm.seq):
            number += 1
            digests.append(Digest(*episode, storm.until_ns <= now, number, records))
            if len(digests) >= MAX_DIGESTS:
                done = {}
                break
        done["digests"] = number
        connection.execute(update(storms).where(storms.c.seq == storm.seq).values(done))
        if len(digests) >= MAX_DIGESTS:
            break
    return digests


def _take_held_records(connection: Connection, storm: int) -> list[dict[str, Any]]:
    """Return the records of the oldest held alerts, at most `MAX_LISTED`, and mark them as sent."""
    c = handling.c
    same = and_(alerts.c.site == c.site, alerts.c.id == c.id)
    query = (
        select(c.site, c.id, alerts.c.record)
        .join_from(handling, alerts, same)
        .where(HELD, c.storm == storm)
        .order_by(c.onset_ns, c.id)
        .limit(MAX_LISTED)
    )
    found = connection.execute(query).all()
    _SENT.run(
        connection,
        [
            {"own_site": site, "own_id": alert_id, "new_sent_as": DIGEST, "held": False}
            for site, alert_id, _ in found
        ],
    )
    return [json.loads(record) for *_, record in found]


_SENT: Final = PreparedWrite(
    lambda _into: (
        update(handling)
        .where(handling.c.site == bindparam("own_site"), handling.c.id == bindparam("own_id"))
        .values(sent_as=bindparam("new_sent_as"), sent_priority=handling.c.priority, held=bindparam("held"))
    ),
    ["own_site", "own_id", "new_sent_as", "held"],
)
