"""Flood suppression on rows: the flood and chattering episodes, the alerts they hold, and their digests.

An episode is a row of the table `storms`. A digest is one message that lists every alert that its episode has held.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, bindparam, insert, or_, select, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Episode, Rules, SuppressionKind, assign, digest_due
from strikewatch.storage.actions.rows import HandlingRow
from strikewatch.storage.commit.prepared import PreparedQuery, PreparedWrite
from strikewatch.storage.outbox.nearby import WHOLE_SITE, Nearby, StoredEpisode, Stream
from strikewatch.storage.schema.alarm_tables import HELD, STORM_DUE, handling, storms
from strikewatch.storage.schema.tables import alerts


class Floods:
    """The flood and chattering episodes of all sites, within one transaction at the wall time `now`.

    `load` what lies around an onset before `take`, and `recount` every alert that has changed after it was loaded.
    """

    def __init__(self, connection: Connection, rules: Rules, now: Instant) -> None:
        self._connection = connection
        self._rules = rules
        self._now = now
        self._nearby: dict[str, Nearby] = {}
        self._episodes: dict[int, StoredEpisode] = {}
        self._changed: dict[int, StoredEpisode] = {}

    def is_loaded(self, row: HandlingRow) -> bool:
        """Return whether an alert can be taken without `load`; high priority always can."""
        window = self._rules.longest_window
        near = self._nearby.get(row.site)
        if row.handling.priority == "high":
            return True
        return near is not None and near.covers(row.onset - window, row.onset + window)

    def load(self, row: HandlingRow) -> None:
        """Load what lies around an alert's onset. All other changed rows must have been written before."""
        self.write()
        window = self._rules.longest_window
        # One window more ahead, so that alerts in order of time load each onset a few times only.
        near = self._nearby[row.site] = Nearby(row.site, row.onset - window, row.onset + 2 * window)
        near.read(self._connection, self._episodes)

    def recount(self, row: HandlingRow) -> None:
        """Note that an alert may count for other episodes than before."""
        if near := self._nearby.get(row.site):
            near.count(row, row.counts)

    def take(self, row: HandlingRow) -> bool:
        """Hold an alert in the episode it belongs to; return False if it is to be sent alone."""
        if row.handling.priority == "high":
            row.counts = "all"
            return False
        near, own = self._nearby[row.site], (row.hammer, row.fault)
        near.count(row, "all")
        stream, site = near.onsets(own)
        chattering = near.episode_at(row.onset, "chattering", own)
        flood = near.episode_at(row.onset, "flood", WHOLE_SITE)
        verdict = assign(
            row.onset,
            row.handling.priority,
            self._rules,
            stream=stream,
            site=site,
            chattering=chattering.episode if chattering else None,
            flood=flood.episode if flood else None,
        )
        if verdict is None:
            row.counts = "all"
            return False
        kind, span = verdict
        row.counts = "all" if kind == "flood" else "stream"
        row.held, row.due = True, None
        stored = flood if kind == "flood" else chattering
        if stored is None:
            stored = self._begin(row.site, kind, WHOLE_SITE if kind == "flood" else own, span)
            near.add_episode(stored)
        self._hold(stored, span)
        row.storm = stored.number
        return True

    def hold_end(self, row: HandlingRow) -> None:
        """Hold the end of an alert that a digest listed as active, for the next digest of the same episode."""
        assert row.storm is not None
        stored = self._episodes.get(row.storm)
        if stored is None:
            ((number, kind, hammer, fault, began, until, held_since, due),) = _EPISODE.fetch(
                self._connection, seq=row.storm
            )
            span = Episode(began, until)
            stored = StoredEpisode(number, kind, (hammer, fault), span, held_since, due)
            self._episodes[number] = stored
        row.held = True
        self._hold(stored, stored.episode)

    def write(self) -> None:
        """Write the changed episodes."""
        _UPDATE.run(
            self._connection,
            [
                {
                    "number": stored.number,
                    "until_ns": stored.episode.until,
                    "held_ns": stored.held_since,
                    "due_ns": stored.due,
                }
                for stored in self._changed.values()
            ],
        )
        self._changed.clear()

    def _hold(self, stored: StoredEpisode, span: Episode) -> None:
        if stored.held_since is None:
            stored.held_since = self._now
        stored.episode = span
        stored.due = digest_due(self._rules, span, stored.held_since, self._now)
        self._changed[stored.number] = stored

    def _begin(self, site: str, kind: SuppressionKind, stream: Stream, span: Episode) -> StoredEpisode:
        hammer, fault = stream
        values = {"kind": kind, "site": site, "hammer": hammer, "fault": fault, "digests": 0}
        values |= {"began_ns": span.began, "until_ns": span.until}
        inserted = self._connection.execute(insert(storms).values(values)).inserted_primary_key
        assert inserted is not None
        stored = StoredEpisode(int(inserted[0]), kind, stream, span, None, None)
        self._episodes[stored.number] = stored
        return stored


_s = storms.c
_EPISODE: Final = PreparedQuery(
    select(_s.seq, _s.kind, _s.hammer, _s.fault, _s.began_ns, _s.until_ns, _s.held_ns, _s.due_ns).where(
        _s.seq == bindparam("seq")
    )
)
_UPDATED: Final = ("until_ns", "held_ns", "due_ns")
_UPDATE: Final = PreparedWrite(
    lambda _into: (
        update(storms)
        .where(storms.c.seq == bindparam("number"))
        .values({name: bindparam(name) for name in _UPDATED})
    ),
    [*_UPDATED, "number"],
)


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
            {"own_site": site, "own_id": alert_id, "told": DIGEST, "held": False}
            for site, alert_id, _ in found
        ],
    )
    return [json.loads(record) for *_, record in found]


_SENT: Final = PreparedWrite(
    lambda _into: (
        update(handling)
        .where(handling.c.site == bindparam("own_site"), handling.c.id == bindparam("own_id"))
        .values(told=bindparam("told"), told_priority=handling.c.priority, held=bindparam("held"))
    ),
    ["own_site", "own_id", "told", "held"],
)
