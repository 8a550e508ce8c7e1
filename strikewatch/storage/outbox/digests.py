"""Digests: what a storm has held, told in one message that lists every alert of it."""

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
LISTED: Final = 200
"""Alerts in one digest at most; what is more makes another."""


@dataclass(frozen=True, slots=True)
class Digest:
    """Alerts that a storm held, in onset order, as they stand. `number` counts the storm's digests from 1.

    `hammer` and `fault` are empty for a flood. `began` and `until` are event time; `over`: it was over at `until`. An
    alert that an earlier digest told as standing is listed once more when it is over.
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
        """Of the storm: all its digests stay in order."""
        name = f"{self.kind}\n{self.site}\n{self.hammer}\n{self.fault}\n{instant.text(self.began)}"
        return hashlib.blake2b(name.encode(), digest_size=12).hexdigest()

    def body(self, records: Sequence[dict[str, Any]] | None = None) -> dict[str, Any]:
        """What is sent, ready for JSON; with `records` for a receiver that is told of these only."""
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
        many = f"{len(records)} alert" if len(records) == 1 else f"{len(records)} alerts"
        if self.kind == "chattering":
            return f"Chattering: {many} of {self.fault} at {self.hammer} {times} UTC, told together."
        faults = Counter(one["fault"] for one in records).most_common()
        return (
            f"Flood: {many} {times} UTC, told together: {', '.join(f'{n} {fault}' for fault, n in faults)}."
        )


def come(due: ColumnElement[int], now: Instant, longest: Instant) -> ColumnElement[bool]:
    """Whether a time has come, or is further off than anything waits: the clock was set back in between."""
    return or_(due <= now, due > now + longest)


def take_due(connection: Connection, now: Instant, every: Instant) -> list[Digest]:
    """The digests that are due, oldest storm first; what they list is then told. None waits longer than `every`."""
    due = storms.c.due_ns
    asked = select(storms).where(STORM_DUE, come(due, now, every)).order_by(due, storms.c.seq)
    digests: list[Digest] = []
    for storm in connection.execute(asked).all():
        number = storm.digests
        what = storm.kind, storm.site, storm.hammer, storm.fault, storm.began_ns, storm.until_ns
        while records := _next(connection, storm.seq):
            number += 1
            digests.append(Digest(*what, storm.until_ns <= now, number, records))
        done = {"digests": number, "held_ns": None, "due_ns": None}
        connection.execute(update(storms).where(storms.c.seq == storm.seq).values(done))
    return digests


def _next(connection: Connection, storm: int) -> list[dict[str, Any]]:
    """Records of the first that the storm holds, which it holds no longer then."""
    c = handling.c
    same = and_(alerts.c.site == c.site, alerts.c.id == c.id)
    asked = (
        select(c.site, c.id, alerts.c.record)
        .join_from(handling, alerts, same)
        .where(HELD, c.storm == storm)
        .order_by(c.onset_ns, c.id)
        .limit(LISTED)
    )
    found = connection.execute(asked).all()
    for site, alert_id, _ in found:
        told = {"told": STEP, "told_priority": c.priority, "held": False}
        connection.execute(update(handling).where(c.site == site, c.id == alert_id).values(told))
    return [json.loads(record) for *_, record in found]
