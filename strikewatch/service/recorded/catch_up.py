"""Replay into a database the recordings that it does not know, in order of event time, by the same worker as live.

It may be interrupted and repeated: rows that are known already are skipped.
"""

import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from sqlalchemy import func, select

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import NO_ROWS, Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.self_alerts import DATA_MISSING, SelfAlert
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.sources.recordings import Shift, open_shifts
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.broker_session import load_session, save_held
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.delivery_log import Delivery, mark_delivered, read_deliveries
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.schema.tables import alerts, arrived, segments

SLICE_NS: Final = 10 * SECOND
"""Event time in one step of the replay."""
_NAME: Final = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d\.\d{3})Z")


@dataclass(slots=True)
class Restored:
    """What was done. `aside`: where the former database is now. `unread`: why it could not be read.

    `rows`, `alerts`: replayed rows, and alerts found in them. `marked`: messages that were delivered before.
    `missing_since`: data from then on may be missing; None if none is.
    """

    aside: Path | None = None
    unread: str = ""
    recordings: int = 0
    rows: int = 0
    alerts: int = 0
    marked: int = 0
    missing_since: Instant | None = None


@dataclass(slots=True)
class _Recording:
    """A recording that the database does not know: its folder, when it began, and, once opened, what is in it."""

    folder: Path
    began: Instant
    shift: Shift
    first: Instant
    last: Instant
    rows: dict[Key, Rows] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)

    def load(self) -> None:
        parts: dict[Key, list[Rows]] = {}
        for key, rows in self.shift.pieces():
            parts.setdefault(key, []).append(rows)
        self.rows = {key: Rows.join(own) for key, own in parts.items()}
        self.events = sorted(self.shift.events, key=lambda event: event.effective)

    def take(self, end: Instant) -> dict[Key, tuple[Rows, list[Event]]]:
        """Remove and return what is before `end`."""
        taken: dict[Key, tuple[Rows, list[Event]]] = {}
        for key, rows in list(self.rows.items()):
            n = int(rows.time_ns.searchsorted(end))
            if n:
                taken[key] = rows[:n], []
                self.rows[key] = rows[n:]
                if n == len(rows):
                    del self.rows[key]
        while self.events and self.events[0].effective < end:
            event = self.events.pop(0)
            taken.setdefault((event.site, event.hammer), (NO_ROWS, []))[1].append(event)
        return taken

    @property
    def next(self) -> Instant | None:
        """The time of the first row or event that is left; None if there is none."""
        times = [int(rows.time_ns[0]) for rows in self.rows.values()]
        return min(times + [event.effective for event in self.events[:1]], default=None)


class _NoMessages:
    """The source of a worker that replays recordings only."""

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del limit, timeout_s
        return []

    def acknowledge(self, messages: object) -> None:
        del messages

    def put_back(self, messages: object) -> None:
        del messages


class CatchUp:
    """The replay of the recordings that the database of `store` does not know, at the wall time `now`; fills `done`."""

    def __init__(self, settings: Settings, store: Store, now: Instant, done: Restored) -> None:
        self._folder = settings.recording.folder
        self._store = store
        self._now = now
        self._done = done
        # a recording that was interrupted is finished first, so that it is known
        Recorder(store, settings.recording)
        self._newest = store.load().newest
        self._worker = Worker(
            settings,
            store,
            _NoMessages(),
            wall=time.time_ns,
            monotonic=time.monotonic_ns,
            alerts_changed=lambda: None,
            wait=lambda _s: True,
        )

    def run(self, former: Sequence[Delivery], *, complete: bool) -> None:
        """Replay, then settle deliveries. `former`: deliveries on record elsewhere. `complete`: no data is missing."""
        recordings = self._unknown()
        self._done.recordings = len(recordings)
        before = self._alerts()
        reached: dict[Key, Instant] = {}
        for received, taken in self._slices(recordings):
            self._worker.replay_recorded(taken, received)
            for key, (rows, _) in taken.items():
                self._done.rows += len(rows)
                if len(rows):
                    reached[key] = int(rows.time_ns[-1])
        newest = self._worker.newest_rows()
        until = min(max(newest.values(), default=0), self._now)
        sites = sorted({site for site, _ in newest})
        self._worker.end_recorded(until, self._now, () if complete else self._missing(until, sites))
        self._done.alerts = self._alerts() - before
        if (held := load_session(self._store).held) is not None and held < until:
            save_held(self._store, until)
        self._forget_spooled(reached)
        deliveries = [*former, *(one for each in recordings for one in read_deliveries(each.folder))]
        with self._store.write() as connection:
            self._done.marked = mark_delivered(connection, deliveries, self._now)
            for one in recordings:
                connection.execute(segments.insert(), _segment(one))

    def _alerts(self) -> int:
        with self._store.read() as connection:
            return connection.scalar(select(func.count()).select_from(alerts)) or 0

    def _unknown(self) -> list[_Recording]:
        """Return the recordings that are newer than those the database knows, in order of their first rows."""
        with self._store.read() as connection:
            query = select(segments.c.site, func.max(segments.c.began_ns)).group_by(segments.c.site)
            newest = {row[0]: row[1] for row in connection.execute(query)}
        found = []
        for folder in self._folder.glob("*/*"):
            began = _began(folder.name)
            if began is None or not folder.is_dir() or began <= newest.get(folder.parent.name, -1):
                continue
            (shift,) = open_shifts(folder)
            first, last = shift.span()
            times = [event.effective for event in shift.events]
            if shift.total:
                times += [first, last]
            if times:
                found.append(_Recording(folder, began, shift, min(times), max(times)))
        return sorted(found, key=lambda one: (one.first, one.began))

    def _slices(
        self, recordings: Sequence[_Recording]
    ) -> Iterator[tuple[Instant, dict[Key, tuple[Rows, list[Event]]]]]:
        """Yield (wall time of arrival, as far as it is known; rows and events by hammer), in order of event time."""
        waiting, active = list(recordings), list[_Recording]()
        end = 0
        while waiting or active:
            first = min(one.next or one.first for one in [*active, *waiting[:1]])
            end = max(end, first // SLICE_NS * SLICE_NS) + SLICE_NS
            while waiting and waiting[0].first < end:
                waiting[0].load()
                active.append(waiting.pop(0))
            taken: dict[Key, tuple[Rows, list[Event]]] = {}
            received = max(end, self._newest)
            for one in active:
                for key, (rows, events) in one.take(end).items():
                    earlier = taken.get(key)
                    if earlier is not None:
                        rows, events = _joined(earlier[0], rows), [*earlier[1], *events]
                    taken[key] = rows, events
                    received = max(received, one.began)
            active = [one for one in active if one.next is not None]
            if taken:
                yield min(received, self._now), taken

    def _missing(self, until: Instant, sites: Sequence[str]) -> list[Change]:
        """Return the changes of the alert that says what may be missing; it is cleared at once."""
        self._done.missing_since = until
        evidence = {"missing_since": to_second(until), "missing_until": to_second(self._now)}
        alert = SelfAlert(DATA_MISSING, clear_delay_ns=0)
        raised = alert.update(True, sites, self._now, 0, lambda _site: evidence)
        return [*raised, *alert.update(False, sites, self._now, 0)]

    def _forget_spooled(self, reached: dict[Key, Instant]) -> None:
        """Delete the spooled steps whose rows are all in the replayed recordings, so that none is recorded twice."""
        with self._store.read() as connection:
            numbers = list(connection.scalars(select(arrived.c.seq)))
        for seq in numbers:
            with self._store.write() as connection:
                blob = connection.scalar(select(arrived.c.rows).where(arrived.c.seq == seq))
                rows, _events = spool.decode(bytes(blob or b""))
                if rows and all(int(part.time_ns[-1]) <= reached.get(key, -1) for key, part in rows):
                    connection.execute(arrived.delete().where(arrived.c.seq == seq))


def _joined(a: Rows, b: Rows) -> Rows:
    """Join a hammer's rows of two recordings in time order; an instant that both have counts once."""
    rows = Rows.join([a, b])
    return rows[np.unique(rows.time_ns, return_index=True)[1]]


def _segment(one: _Recording) -> dict[str, object]:
    """Return a recording's row among those that the database knows; its steps are no longer numbered."""
    files = [file.stat() for file in one.folder.iterdir()]
    return {
        "site": one.folder.parent.name,
        "name": one.folder.name,
        "began_ns": one.began,
        "first_seq": 0,
        "last_seq": 0,
        "state": "written",
        "written_ns": max(file.st_mtime_ns for file in files),
        "size": sum(file.st_size for file in files),
    }


def _began(name: str) -> Instant | None:
    """Return the instant that a recording's folder is named by; None for another folder."""
    found = _NAME.fullmatch(name)
    return instant.parse("{}-{}-{}T{}:{}:{}Z".format(*found.groups())) if found else None


def to_second(at: Instant) -> str:
    """Format to the second, as people read it."""
    return f"{instant.text(at)[:19]}Z"
