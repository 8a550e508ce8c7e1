"""The counted onsets and the episodes of one site around an instant: read once, then kept up to date in memory.

A step with many alerts asks for them once per alert; reading them again each time would take quadratic time.
"""

from bisect import bisect_left, insort
from dataclasses import dataclass
from typing import Final

from sqlalchemy import BigInteger, BindParameter, Connection, bindparam, select

from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Episode, SuppressionKind
from strikewatch.storage.actions.rows import HandlingRow
from strikewatch.storage.commit.prepared import PreparedQuery
from strikewatch.storage.schema.alarm_tables import COUNTED, handling, storms

Stream = tuple[str, str]
"""Hammer and fault."""
WHOLE_SITE: Final[Stream] = ("", "")
"""The stream of the episodes of kind `flood`."""


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

    def covers(self, since: Instant, upto: Instant) -> bool:
        return self._since <= since and upto <= self._upto

    def read(self, connection: Connection, known: dict[int, StoredEpisode]) -> None:
        """Read what is stored. `known`: episodes by number that were read before; those read now are added."""
        period = {"site": self._site, "since": self._since, "upto": self._upto}
        for alert_id, hammer, fault, onset, counts in _ONSETS.fetch(connection, **period):
            self._add(alert_id, onset, counts, (hammer, fault))
        for number, kind, hammer, fault, began, until, held_since, due in _EPISODES.fetch(
            connection, **period
        ):
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
_EPISODES: Final = PreparedQuery(
    select(_s.seq, _s.kind, _s.hammer, _s.fault, _s.began_ns, _s.until_ns, _s.held_ns, _s.due_ns).where(
        _s.site == bindparam("site"), _s.until_ns >= _instant("since"), _s.began_ns <= _instant("upto")
    )
)
