"""Flood suppression on rows: the flood and chattering episodes, and the alerts that they hold.

An episode is a row of the table `storms`. The counted onsets and the episodes around an instant are read once and then
kept up to date in memory: they are asked for once per alert, and reading them again each time would take quadratic
time. They are kept from one step to the next as long as nothing else writes to the database.
"""

from bisect import bisect_left, insort
from dataclasses import dataclass, field
from typing import Final

from sqlalchemy import BigInteger, BindParameter, Connection, bindparam, insert, select, update

from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Episode, Rules, SuppressionKind, assign, digest_due
from strikewatch.storage.actions import rows as table
from strikewatch.storage.actions.rows import AlertKey, HandlingRow
from strikewatch.storage.commit.prepared import PreparedQuery, PreparedWrite
from strikewatch.storage.schema.alarm_tables import COUNTED, handling, storms

Stream = tuple[str, str]
"""Hammer and fault."""
WHOLE_SITE: Final[Stream] = ("", "")
"""The stream of the episodes of kind `flood`."""
MAX_KEPT: Final = 50_000
"""How many onsets and episodes are kept for the next step, about 15 MB; of more, none."""


@dataclass(slots=True, eq=False)
class StoredEpisode:
    """A row of the table `storms`. `held_since`: wall time of the first alert that no digest has listed yet."""

    number: int
    kind: SuppressionKind
    stream: Stream
    episode: Episode
    held_since: Instant | None
    due: Instant | None


class Nearby:
    """The onsets and episodes of a site from `since` to `upto`, both inclusive."""

    def __init__(self, site: str, since: Instant, upto: Instant) -> None:
        self._site = site
        self._since = since
        self._upto = upto
        self._counted: dict[str, tuple[Instant, str, Stream]] = {}
        self._of_site: list[Instant] = []
        self._streams: dict[Stream, list[Instant]] = {}
        self._episodes: dict[tuple[SuppressionKind, Stream], list[StoredEpisode]] = {}

    @property
    def size(self) -> int:
        """Return the number of onsets."""
        return len(self._counted)

    def covers(self, since: Instant, upto: Instant) -> bool:
        return self._since <= since and upto <= self._upto

    def read(self, connection: Connection, known: dict[int, StoredEpisode]) -> None:
        """Read what is stored, once. `known`: episodes by number that were read before; those read now are added."""
        period = {"site": self._site, "since": self._since, "upto": self._upto}
        onsets, episodes = _ONSETS.fetch(connection, **period), _EPISODES.fetch(connection, **period)
        self._counted = {row[0]: (row[3], row[4], (row[1], row[2])) for row in onsets}
        self._of_site = [row[3] for row in onsets if row[4] == "all"]
        for _, hammer, fault, onset, _ in onsets:
            self._streams.setdefault((hammer, fault), []).append(onset)
        for number, kind, hammer, fault, began, until, held_since, due in episodes:
            span = Episode(began, until)
            stored = StoredEpisode(number, kind, (hammer, fault), span, held_since, due)
            self.add_episode(known.setdefault(number, stored))

    def add_episode(self, stored: StoredEpisode) -> None:
        self._episodes.setdefault((stored.kind, stored.stream), []).append(stored)

    def episode_at(self, onset: Instant, kind: SuppressionKind, stream: Stream) -> StoredEpisode | None:
        """Return the latest episode that contains an onset."""
        containing = [one for one in self._episodes.get((kind, stream), ()) if one.episode.contains(onset)]
        return max(containing, key=lambda one: (one.episode.began, one.number), default=None)

    def onsets(self, stream: Stream) -> tuple[list[Instant], list[Instant]]:
        """Return the sorted onsets of a stream, and those of the site except alerts in chattering."""
        return self._streams.get(stream, []), self._of_site

    def count(self, row: HandlingRow, counts: str) -> None:
        """Count an alert as `counts`, a value of that column, instead of what it counted as before."""
        if row.id in self._counted:
            onset, before, stream = self._counted.pop(row.id)
            _remove(self._streams[stream], onset)
            if before == "all":
                _remove(self._of_site, onset)
        if counts and self._since <= row.onset <= self._upto:
            self._add(row.id, row.onset, counts, (row.hammer, row.fault))

    def _add(self, alert_id: str, onset: Instant, counts: str, stream: Stream) -> None:
        self._counted[alert_id] = onset, counts, stream
        insort(self._streams.setdefault(stream, []), onset)
        if counts == "all":
            insort(self._of_site, onset)


def _remove(onsets: list[Instant], onset: Instant) -> None:
    del onsets[bisect_left(onsets, onset)]


class FloodCache:
    """What was read of floods: what is near the last alert of each site, and episodes by number.

    Call `clear` when a transaction fails, and after one of this connection that does not go through `Floods`.
    """

    def __init__(self) -> None:
        self.nearby: dict[str, Nearby] = {}
        self.episodes: dict[int, StoredEpisode] = {}
        self._version: int | None = None

    def use(self, version: int | None) -> "FloodCache":
        """Return this cache for a transaction, empty unless it is of this version of the database (None: unknown)."""
        size = len(self.episodes) + sum([near.size for near in self.nearby.values()])
        if version is None or version != self._version or size > MAX_KEPT:
            self.clear()
        self._version = version
        return self

    def clear(self) -> None:
        """Forget all, so that it is read again."""
        self.nearby.clear()
        self.episodes.clear()


@dataclass(slots=True)
class Floods:
    """The flood and chattering episodes of all sites, within one transaction at the wall time `now`.

    `unwritten`: the rows that have changed; they are written before others are read, and removed. `recount`: add each
    row that has changed since the last `take`, since it may count for other episodes than before. Call `finish` at the
    end.
    """

    connection: Connection
    rules: Rules
    now: Instant
    unwritten: dict[AlertKey, HandlingRow]
    cache: FloodCache
    recount: list[HandlingRow] = field(default_factory=list)
    _changed: dict[int, StoredEpisode] = field(default_factory=dict)
    """The episodes by number that are to be written."""

    def take(self, row: HandlingRow) -> bool:
        """Hold an alert, not of high priority, in the episode it belongs to; return False if it is to be sent alone."""
        near, own = self._around(row), (row.hammer, row.fault)
        near.count(row, "all")
        stream, site = near.onsets(own)
        chattering = near.episode_at(row.onset, "chattering", own)
        flood = near.episode_at(row.onset, "flood", WHOLE_SITE)
        verdict = assign(
            row.onset,
            row.handling.priority,
            self.rules,
            stream=stream,
            site=site,
            chattering=chattering.episode if chattering else None,
            flood=flood.episode if flood else None,
        )
        if verdict is None:
            return False
        kind, span = verdict
        stored = flood if kind == "flood" else chattering
        if row.storm is not None and (stored is None or stored.number != row.storm):
            # digests keep their order within one episode only, so no other may list the alert
            return False
        row.counts = "all" if kind == "flood" else "stream"
        row.held, row.due = True, None
        if stored is None:
            stored = self._begin(row.site, kind, WHOLE_SITE if kind == "flood" else own, span)
            near.add_episode(stored)
        self._hold(stored, span)
        row.storm = stored.number
        return True

    def hold_end(self, row: HandlingRow) -> None:
        """Hold the end of an alert that a digest listed as active, for the next digest of the same episode."""
        assert row.storm is not None
        stored = self.cache.episodes.get(row.storm)
        if stored is None:
            ((number, kind, hammer, fault, began, until, held_since, due),) = _EPISODE.fetch(
                self.connection, seq=row.storm
            )
            span = Episode(began, until)
            stored = StoredEpisode(number, kind, (hammer, fault), span, held_since, due)
            self.cache.episodes[number] = stored
        row.held = True
        self._hold(stored, stored.episode)

    def _around(self, row: HandlingRow) -> Nearby:
        """Return what lies around an alert's onset, with the alerts that have changed since."""
        self._count_changed()
        window = self.rules.longest_window
        near = self.cache.nearby.get(row.site)
        if near is None or not near.covers(row.onset - window, row.onset + window):
            if self.unwritten:
                table.write(self.connection, self.unwritten.values())
                self.unwritten.clear()
            self._write()
            # One window more ahead, so that alerts in order of time load each onset a few times only.
            near = self.cache.nearby[row.site] = Nearby(row.site, row.onset - window, row.onset + 2 * window)
            near.read(self.connection, self.cache.episodes)
        return near

    def finish(self) -> None:
        """Write what has changed."""
        self._count_changed()
        self._write()

    def _count_changed(self) -> None:
        """Count the alerts that have changed as what they count for now."""
        for row in self.recount:
            if known := self.cache.nearby.get(row.site):
                known.count(row, row.counts)
        self.recount.clear()

    def _write(self) -> None:
        """Write the changed episodes."""
        _UPDATE.run(
            self.connection,
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
            stored.held_since = self.now
        stored.episode = span
        stored.due = digest_due(self.rules, span, stored.held_since, self.now)
        self._changed[stored.number] = stored

    def _begin(self, site: str, kind: SuppressionKind, stream: Stream, span: Episode) -> StoredEpisode:
        hammer, fault = stream
        values = {"kind": kind, "site": site, "hammer": hammer, "fault": fault, "digests": 0}
        values |= {"began_ns": span.began, "until_ns": span.until}
        inserted = self.connection.execute(insert(storms).values(values)).inserted_primary_key
        assert inserted is not None
        stored = StoredEpisode(int(inserted[0]), kind, stream, span, None, None)
        self.cache.episodes[stored.number] = stored
        return stored


def _instant(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


_h, _s = handling.c, storms.c
_ONSETS: Final = PreparedQuery(
    select(_h.id, _h.hammer, _h.fault, _h.onset_ns, _h.counts)
    .where(
        COUNTED,
        _h.site == bindparam("site"),
        _h.onset_ns >= _instant("since"),
        _h.onset_ns <= _instant("upto"),
    )
    .order_by(_h.onset_ns)
)
_STORED = select(_s.seq, _s.kind, _s.hammer, _s.fault, _s.began_ns, _s.until_ns, _s.held_ns, _s.due_ns)
_EPISODE: Final = PreparedQuery(_STORED.where(_s.seq == bindparam("seq")))
_EPISODES: Final = PreparedQuery(
    _STORED.where(
        _s.site == bindparam("site"), _s.until_ns >= _instant("since"), _s.began_ns <= _instant("upto")
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
