"""The recorder: turns the spool of admitted rows into recorded shifts that `replay` reads.

A roll is planned in the database before anything is written: which spooled steps go into which folder. The
folder is made complete under another name, then renamed; only then are the steps given up. After a crash in
between, the same plan is carried out again, so a row is in exactly one recording. Names rise with the order
of admission, by the wall clock at which a recording's first step came, whatever the hammers' clocks say.
"""

import errno
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import structlog
from sqlalchemy import bindparam, delete, func, select, update

from strikewatch.core.batch import Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant, seconds, text
from strikewatch.errors import StoreBlocked, StoreError
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk
from strikewatch.storage.recorder.parquet import write_shift
from strikewatch.storage.schema.tables import arrived, segments
from strikewatch.storage.settings import RecorderSettings as Settings

_log = structlog.get_logger(__name__)

MIB: Final = 1 << 20
MILLISECOND: Final = SECOND // 1000
CHUNK: Final = 500
"""Spooled steps read or given up at a time, so that neither holds up the writer."""


@dataclass(slots=True)
class _Stretch:
    """Spooled steps taken into memory: from which to which, and what they hold."""

    first: int = 0
    last: int = 0
    began: Instant = 0
    size: int = 0
    rows: dict[Key, list[Rows]] = field(default_factory=lambda: defaultdict(list))
    events: dict[str, list[Event]] = field(default_factory=lambda: defaultdict(list))

    @property
    def sites(self) -> list[str]:
        return sorted({site for site, _ in self.rows} | self.events.keys())


class Recorder:
    """A thread calls `tick` every few seconds and `flush` at a clean stop. StoreError if the disk refuses."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store = store
        self._settings = settings
        self._stretch = _Stretch()
        self._seen = self._recover()

    def tick(self, now: Instant) -> None:
        """Take in what was spooled since the last tick; end the recording if its time or size has come.

        `now` is wall time.
        """
        roll = seconds(self._settings.roll_s)
        while more := self._take(self._seen):
            if self._stretch.size >= self._settings.roll_mib * MIB:
                self._roll(now)
            if more < CHUNK:
                break
        # whichever way the clock moved
        if self._stretch.last and self._stretch.began // roll != now // roll:
            self._roll(now)

    def flush(self, now: Instant) -> None:
        """Take in what is left and end the recording."""
        while self._take(self._seen):
            pass
        if self._stretch.last:
            self._roll(now)

    def _take(self, after: int, upto: int = 1 << 62) -> int:
        """Read a chunk of steps from the spool into the stretch; how many there were."""
        stretch = self._stretch
        pieces: dict[Key, list[Rows]] = defaultdict(list)
        with self._store.read() as connection:
            found = connection.execute(_SPOOLED, {"after": after, "upto": upto}).all()
        for seq, received, blob in found:
            if not stretch.last:
                stretch.first, stretch.began = seq, received
            stretch.last = self._seen = seq
            stretch.size += len(blob)
            rows, events = spool.decode(blob)
            for key, part in rows:
                pieces[key].append(part)
            for event in events:
                stretch.events[event.site].append(event)
        for key, parts in pieces.items():
            stretch.rows[key].append(Rows.join(parts))
        return len(found)

    def _roll(self, now: Instant) -> None:
        self._plan()
        self._carry_out(now)
        self._retain(now)

    def _plan(self) -> None:
        """Fix, before anything is written, which steps go where."""
        stretch = self._stretch
        with self._store.write() as connection:
            for site in stretch.sites:
                newest = connection.scalar(_NEWEST, {"site": site})
                began = stretch.began if newest is None else max(stretch.began, newest + MILLISECOND)
                while (self._settings.folder / site / _compact(began)).exists():
                    began += MILLISECOND  # recorded by a run that a restored copy knows nothing of
                connection.execute(
                    segments.insert(),
                    {
                        "site": site,
                        "name": _compact(began),
                        "began_ns": began,
                        "first_seq": stretch.first,
                        "last_seq": stretch.last,
                        "state": "planned",
                        "size": 0,
                    },
                )

    def _carry_out(self, now: Instant) -> None:
        """Write the planned recordings of the stretch in memory, then give its steps up."""
        stretch, self._stretch = self._stretch, _Stretch()
        with self._store.read() as connection:
            plan = connection.execute(
                select(segments.c.site, segments.c.name).where(
                    segments.c.state == "planned", segments.c.first_seq == stretch.first
                )
            )
            names = {one.site: one.name for one in plan}
        sizes = {}
        for site, name in names.items():
            rows = {
                hammer: Rows.join(parts) for (where, hammer), parts in stretch.rows.items() if where == site
            }
            target = self._settings.folder / site / name
            sizes[site] = self._write(target, site, rows, stretch.events[site])
        with self._store.write() as connection:
            for site, size in sizes.items():
                connection.execute(
                    update(segments)
                    .where(segments.c.site == site, segments.c.name == names[site])
                    .values(state="written", size=size, written_ns=now)
                )
        self._give_up(stretch.last)

    def _write(self, target: Path, site: str, rows: dict[str, Rows], events: Iterable[Event]) -> int:
        """Make one recording whole or not at all; its size in bytes."""
        try:
            if not target.exists():
                part = target.with_name(f".{target.name}.part")
                write_shift(part, site, rows, events, live=True)
                disk.settle(part, target)
            return sum(file.stat().st_size for file in target.iterdir())
        except OSError as error:
            kind = StoreBlocked if error.errno in (errno.ENOSPC, errno.EDQUOT) else StoreError
            raise kind(f"cannot record into {target}: {error}") from error

    def _give_up(self, upto: int) -> None:
        """Remove recorded steps from the spool, little by little."""
        while True:
            with self._store.write() as connection:
                if connection.execute(_GIVE_UP, {"upto": upto}).rowcount < CHUNK:
                    return

    def _recover(self) -> int:
        """Carry out what a crash interrupted; the number of the last recorded step."""
        with self._store.read() as connection:
            recorded = connection.scalar(
                select(func.max(segments.c.last_seq)).where(segments.c.state == "written")
            )
            plans = connection.execute(
                select(segments.c.last_seq, func.max(arrived.c.received_ns))
                .join(arrived, arrived.c.seq == segments.c.last_seq)
                .where(segments.c.state == "planned")
                .group_by(segments.c.last_seq)
                .order_by(segments.c.last_seq)
            ).all()
        self._seen = recorded or 0
        for last, received in plans:
            while self._take(self._seen, last):
                pass
            self._carry_out(received)
        return self._seen

    def _retain(self, now: Instant) -> None:
        """Remove recordings that are too old or too many, the oldest first."""
        with self._store.read() as connection:
            kept = connection.execute(_KEPT).all()
        days, gib = self._settings.keep_days, self._settings.keep_gib
        total = sum(one.size for one in kept)
        for one in kept:
            old = days > 0 and now - one.written_ns > days * 86_400 * SECOND
            large = gib > 0 and total > gib * 1024 * MIB
            if not old and not large:
                continue
            total -= one.size
            disk.remove(self._settings.folder / one.site / one.name)
            with self._store.write() as connection:
                connection.execute(
                    delete(segments).where(segments.c.site == one.site, segments.c.name == one.name)
                )
            _log.info("recording_removed", site=one.site, name=one.name, reason="age" if old else "size")


def _compact(moment: Instant) -> str:
    """The instant in UTC, to the millisecond, as a folder's name that sorts by time."""
    return text(moment).replace("-", "").replace(":", "")[:-4] + "Z"


_SPOOLED: Final = (
    select(arrived.c.seq, arrived.c.received_ns, arrived.c.rows)
    .where(arrived.c.seq > bindparam("after"), arrived.c.seq <= bindparam("upto"))
    .order_by(arrived.c.seq)
    .limit(CHUNK)
)
_NEWEST: Final = select(func.max(segments.c.began_ns)).where(segments.c.site == bindparam("site"))
_KEPT: Final = (
    select(segments.c.site, segments.c.name, segments.c.written_ns, segments.c.size)
    .where(segments.c.state == "written")
    .order_by(segments.c.began_ns)
)
_oldest = select(arrived.c.seq).where(arrived.c.seq <= bindparam("upto")).order_by(arrived.c.seq).limit(CHUNK)
_GIVE_UP: Final = delete(arrived).where(arrived.c.seq.in_(_oldest))
