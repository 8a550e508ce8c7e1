"""Digests: one message that lists every alert that flood suppression has held."""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, or_, select, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.schema.alarm_tables import HELD, STORM_DUE, handling, storms
from strikewatch.storage.schema.tables import alerts

STEP: Final = "digest"
MAX_LISTED: Final = 200
"""Largest number of alerts in one digest; more make a further digest."""


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
            "summary": self._summary(listed),
            "alerts": list(listed),
        }

    def _summary(self, records: Sequence[dict[str, Any]]) -> str:
        first, last = records[0]["onset"][11:16], records[-1]["onset"][11:16]
        times = f"at {first}" if first == last else f"from {first} to {last}"
        number = f"{len(records)} alert" if len(records) == 1 else f"{len(records)} alerts"
        if self.kind == "chattering":
            return f"Chattering: {number} of {self.fault} at {self.hammer} {times} UTC, sent together."
        faults = Counter(one["fault"] for one in records).most_common()
        return (
            f"Flood: {number} {times} UTC, sent together: {', '.join(f'{n} {fault}' for fault, n in faults)}."
        )


def is_due(due: ColumnElement[int], now: Instant, longest: Instant) -> ColumnElement[bool]:
    """Return the condition that a time has come, or lies beyond the longest wait (the clock was set back)."""
    return or_(due <= now, due > now + longest)


def take_due_digests(connection: Connection, now: Instant, every: Instant) -> list[Digest]:
    """Return the digests that are due, oldest first, and mark their alerts as sent; none waits longer than `every`."""
    due = storms.c.due_ns
    query = select(storms).where(STORM_DUE, is_due(due, now, every)).order_by(due, storms.c.seq)
    digests: list[Digest] = []
    for storm in connection.execute(query).all():
        number = storm.digests
        episode = storm.kind, storm.site, storm.hammer, storm.fault, storm.began_ns, storm.until_ns
        while records := _take_held_records(connection, storm.seq):
            number += 1
            digests.append(Digest(*episode, storm.until_ns <= now, number, records))
        done = {"digests": number, "held_ns": None, "due_ns": None}
        connection.execute(update(storms).where(storms.c.seq == storm.seq).values(done))
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
    for site, alert_id, _ in found:
        sent = {"told": STEP, "told_priority": c.priority, "held": False}
        connection.execute(update(handling).where(c.site == site, c.id == alert_id).values(sent))
    return [json.loads(record) for *_, record in found]
