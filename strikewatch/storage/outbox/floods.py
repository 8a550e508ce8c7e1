"""Flood suppression on rows: the flood and chattering episodes, the alerts they hold, and their digests.

An episode is a row of the table `storms`. A digest is one message that lists every alert that its episode has held.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    BindParameter,
    ColumnElement,
    Connection,
    Select,
    and_,
    bindparam,
    func,
    insert,
    literal,
    null,
    or_,
    select,
    union_all,
    update,
)

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Episode, Rules, SuppressionKind, assign, digest_due
from strikewatch.storage.actions.rows import HandlingRow
from strikewatch.storage.commit.prepared import PreparedQuery
from strikewatch.storage.schema.alarm_tables import COUNTED, HELD, STORM_DUE, handling, storms
from strikewatch.storage.schema.tables import alerts


class Floods:
    """The flood and chattering episodes of all sites, within one transaction at the wall time `now`."""

    def __init__(self, connection: Connection, rules: Rules, now: Instant) -> None:
        self._connection = connection
        self._rules = rules
        self._now = now

    def take(self, row: HandlingRow) -> bool:
        """Hold an alert in the episode it belongs to; return False if it is to be sent alone.

        All other changed rows must have been written before.
        """
        numbers, spans, near = self._nearby(row)
        stream, site = self._onsets(row) if near else ([], [])
        verdict = assign(
            row.onset,
            row.handling.priority,
            self._rules,
            stream=stream,
            site=site,
            chattering=spans.get("chattering"),
            flood=spans.get("flood"),
        )
        if verdict is None:
            row.counts = "all"
            return False
        kind, span = verdict
        row.counts = "all" if kind == "flood" else "stream"
        row.held, row.due = True, None
        row.storm = self._hold(row, kind, span, numbers.get(kind))
        return True

    def hold_end(self, row: HandlingRow) -> None:
        """Hold the end of an alert that a digest listed as active, for the next digest of the same episode."""
        c = storms.c
        query = select(c.kind, c.began_ns, c.until_ns).where(c.seq == row.storm)
        kind, began, until = self._connection.execute(query).one()
        row.held = True
        self._hold(row, kind, Episode(began, until), row.storm)

    def _hold(self, row: HandlingRow, kind: SuppressionKind, span: Episode, number: int | None) -> int:
        c = storms.c
        held_since = None
        if number is not None:
            held_since = self._connection.scalar(select(c.held_ns).where(c.seq == number))
        since = self._now if held_since is None else held_since
        values = {
            "until_ns": span.until,
            "held_ns": since,
            "due_ns": digest_due(self._rules, span, since, self._now),
        }
        if number is not None:
            self._connection.execute(update(storms).where(c.seq == number).values(values))
            return number
        hammer, fault = ("", "") if kind == "flood" else (row.hammer, row.fault)
        values |= {"kind": kind, "site": row.site, "hammer": hammer, "fault": fault, "began_ns": span.began}
        inserted = self._connection.execute(insert(storms).values(**values, digests=0)).inserted_primary_key
        assert inserted is not None
        return int(inserted[0])

    def _nearby(
        self, row: HandlingRow
    ) -> tuple[dict[SuppressionKind, int], dict[SuppressionKind, Episode], bool]:
        """Return the latest episode of each kind that contains the onset, and whether the alert can be part of any.

        It cannot if no episode contains it and too few onsets lie in both windows before it to begin one.
        """
        chattering, flood = self._rules.chattering, self._rules.flood
        found = _NEARBY.fetch(
            self._connection,
            site=row.site,
            hammer=row.hammer,
            fault=row.fault,
            onset=row.onset,
            since=row.onset - self._rules.longest_window,
            chattering_since=row.onset - chattering.window,
            flood_since=row.onset - flood.window,
            enough=max(chattering.begin_count, flood.begin_count),
        )
        ((_, _, in_chattering, in_flood),) = (entry for entry in found if entry[1] is None)
        spans = sorted(
            (entry for entry in found if entry[1] is not None), key=lambda entry: (entry[2], entry[1])
        )
        return (
            {kind: seq for kind, seq, *_ in spans},
            {kind: Episode(*span) for kind, _, *span in spans},
            bool(spans) or in_chattering + 1 >= chattering.begin_count or in_flood + 1 >= flood.begin_count,
        )

    def _onsets(self, row: HandlingRow) -> tuple[list[Instant], list[Instant]]:
        """Return the sorted onsets counted around this one: of the same hammer and fault, and of the whole site."""
        c = handling.c
        query = (
            select(c.hammer, c.fault, c.onset_ns, c.counts)
            .where(
                COUNTED,
                c.site == row.site,
                c.onset_ns > row.onset - self._rules.longest_window,
                c.onset_ns <= row.onset + self._rules.longest_window,
                c.id != row.id,
            )
            .order_by(c.onset_ns)
        )
        found = self._connection.execute(query).all()
        stream = [at for hammer, fault, at, _ in found if (hammer, fault) == (row.hammer, row.fault)]
        return stream, [at for *_, at, counts in found if counts == "all"]


def _floods_at_onset() -> Select[Any]:
    """Select the episodes that contain an onset."""
    c = storms.c
    stream = and_(c.hammer == bindparam("hammer"), c.fault == bindparam("fault"))
    return select(c.kind, c.seq, c.began_ns, c.until_ns).where(
        c.site == bindparam("site"),
        c.until_ns >= _instant("onset"),
        c.began_ns <= _instant("onset"),
        or_(c.kind == "flood", stream),
    )


def _onset_counts() -> Select[Any]:
    """Count the site's onsets in each window before an onset, among the last ones, no more than are `enough`."""
    c = handling.c
    last = (
        select(c.onset_ns)
        .where(
            COUNTED,
            c.site == bindparam("site"),
            c.onset_ns > _instant("since"),
            c.onset_ns <= _instant("onset"),
        )
        .order_by(c.onset_ns.desc())
        .limit(_instant("enough"))
        .subquery()
    )
    chattering = func.count().filter(last.c.onset_ns > _instant("chattering_since"))
    flood = func.count().filter(last.c.onset_ns > _instant("flood_since"))
    columns: list[Any] = [literal(""), null(), chattering, flood]
    return select(*columns).select_from(last)


def _instant(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


_NEARBY: Final = PreparedQuery(union_all(_floods_at_onset(), _onset_counts()))


DIGEST: Final = "digest"
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
        faults = Counter(record["fault"] for record in records).most_common()
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
        sent = {"told": DIGEST, "told_priority": c.priority, "held": False}
        connection.execute(update(handling).where(c.site == site, c.id == alert_id).values(sent))
    return [json.loads(record) for *_, record in found]
