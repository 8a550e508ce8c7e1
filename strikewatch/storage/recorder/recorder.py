"""The recorder writes the spool of admitted rows as recorded shifts that `replay` reads.

Before anything is written, a plan in the database says which spooled steps go into which folder. The folder is written
under another name and renamed when complete; only then are the steps deleted. After a crash the same plan is carried
out again, so that each row is in exactly one recording. Recordings are named by the wall time of their first step, so
their names sort in order of admission, whatever the hammers' clocks show.
"""

import errno
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
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
from strikewatch.storage.commit.prepared import PreparedQuery
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk
from strikewatch.storage.recorder.delivery_log import Delivery, delivered, write_deliveries
from strikewatch.storage.recorder.parquet import write_parts
from strikewatch.storage.schema.tables import arrived, segments
from strikewatch.storage.settings import RecorderSettings

_log = structlog.get_logger(__name__)

MIB: Final = 1 << 20
MILLISECOND: Final = SECOND // 1000
_DISK_ERRORS: Final = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS)
"""Errors of the disk that may end by themselves or by somebody's help; the steps wait in the database meanwhile."""
CHUNK: Final = 500
"""How many spooled steps are read or deleted at a time, so that the writer never waits long."""
CHUNK_MIB: Final = 2
"""No more is read at a time, MiB, unless a single step is larger."""


@dataclass(slots=True)
class _Segment:
    """Spooled steps read into memory: their numbers from `first` to `last`, rows and events."""

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
    """Records what the store spools. Call `tick` every few seconds and `flush` at a clean stop.

    Raises StoreBlocked if the disk is full or fails, StoreError if the folder cannot be used.
    """

    def __init__(self, store: Store, settings: RecorderSettings) -> None:
        self._store = store
        self._settings = settings
        self._segment = _Segment()
        disk.make_private(_files_of(settings.folder))
        self._last_read = self._recover()

    def tick(self, now: Instant) -> None:
        """Read what was spooled since the last tick; end the recording if it has reached its time or size.

        `now`: wall time.
        """
        roll = seconds(self._settings.roll_s)
        more = True
        while more:
            more = self._read_chunk(self._last_read)
            if self._segment.size >= self._settings.roll_mib * MIB:
                self._roll(now)
        # also when the clock was set back
        if self._segment.last and self._segment.began // roll != now // roll:
            self._roll(now)

    def flush(self, now: Instant) -> None:
        """Read the rest of the spool and end the recording."""
        while self._read_chunk(self._last_read):
            pass
        if self._segment.last:
            self._roll(now)

    def _read_chunk(self, after: int, upto: int = 1 << 62) -> bool:
        """Read a chunk of steps from the spool into the segment; return whether there may be more."""
        segment = self._segment
        pieces: dict[Key, list[Rows]] = defaultdict(list)
        with self._store.read() as connection:
            sizes = _SIZES.fetch(connection, after=after, upto=upto)
            n, total = 0, 0
            for _, size in sizes:
                total += size
                if n and total > CHUNK_MIB * MIB:
                    break
                n += 1
            found = _SPOOLED.fetch(connection, after=after, upto=sizes[n - 1][0]) if n else []
        segment.size += sum([size for _, size in sizes[:n]])
        for seq, received, blob in found:
            if not segment.last:
                segment.first, segment.began = seq, received
            segment.last = self._last_read = seq
            rows, events = spool.decode(blob)
            for key, part in rows:
                pieces[key].append(part)
            for event in events:
                segment.events[event.site].append(event)
        for key, parts in pieces.items():
            segment.rows[key].append(Rows.join(parts))
        return n < len(sizes) or n == CHUNK

    def _roll(self, now: Instant) -> None:
        self._plan()
        self._write_planned(now)
        self._remove_old(now)

    def _plan(self) -> None:
        """Store which steps go into which recording, before anything is written."""
        segment = self._segment
        with self._store.write() as connection:
            for site in segment.sites:
                newest = connection.scalar(_NEWEST, {"site": site})
                began = segment.began if newest is None else max(segment.began, newest + MILLISECOND)
                while (self._settings.folder / site / _folder_name(began)).exists():
                    began += MILLISECOND  # recorded by a run that a restored database does not know
                connection.execute(
                    segments.insert(),
                    {
                        "site": site,
                        "name": _folder_name(began),
                        "began_ns": began,
                        "first_seq": segment.first,
                        "last_seq": segment.last,
                        "state": "planned",
                        "size": 0,
                    },
                )

    def _write_planned(self, now: Instant) -> None:
        """Write the planned recordings of the segment in memory, then delete its steps from the spool."""
        segment, self._segment = self._segment, _Segment()
        with self._store.read() as connection:
            plan = connection.execute(
                select(segments.c.site, segments.c.name).where(
                    segments.c.state == "planned", segments.c.first_seq == segment.first
                )
            )
            names = {planned.site: planned.name for planned in plan}
        sizes = {}
        for site, name in names.items():
            rows = {hammer: parts for (at, hammer), parts in segment.rows.items() if at == site}
            target = self._settings.folder / site / name
            sizes[site] = self._write(target, site, rows, segment.events[site], segment.began)
        with self._store.write() as connection:
            for site, size in sizes.items():
                connection.execute(
                    update(segments)
                    .where(segments.c.site == site, segments.c.name == names[site])
                    .values(state="written", size=size, written_ns=now)
                )
        self._delete_spooled(segment.last)

    def _write(
        self,
        target: Path,
        site: str,
        rows: Mapping[str, Sequence[Rows]],
        events: Iterable[Event],
        began: Instant,
    ) -> int:
        """Write one recording, complete or not at all; return its size in bytes."""
        try:
            if not target.exists():
                part = target.with_name(f".{target.name}.part")
                disk.make_folder(part)
                write_parts(part, site, rows, events, live=True)
                write_deliveries(part, self._delivered(site, began))
                disk.publish_folder(part, target)
            return sum(file.stat().st_size for file in target.iterdir())
        except OSError as error:
            kind = StoreBlocked if error.errno in _DISK_ERRORS else StoreError
            raise kind(f"cannot record into {target}: {error}") from error

    def _delivered(self, site: str, began: Instant) -> list[Delivery]:
        """Return the deliveries since the start of the previous recording, as an outcome may be stored late."""
        with self._store.read() as connection:
            before = select(func.max(segments.c.began_ns)).where(
                segments.c.site == site, segments.c.began_ns < began
            )
            return delivered(connection, connection.scalar(before) or 0, site)

    def _delete_spooled(self, upto: int) -> None:
        """Delete recorded steps from the spool, chunk by chunk."""
        while True:
            with self._store.write() as connection:
                if connection.execute(_DELETE_SPOOLED, {"upto": upto}).rowcount < CHUNK:
                    return

    def _recover(self) -> int:
        """Write the recordings that a crash interrupted; return the number of the last recorded step."""
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
        self._last_read = recorded or 0
        for last, received in plans:
            while self._read_chunk(self._last_read, last):
                pass
            self._write_planned(received)
        return self._last_read

    def _remove_old(self, now: Instant) -> None:
        """Remove recordings that are too old or take too much space, oldest first."""
        with self._store.read() as connection:
            recordings = connection.execute(_RECORDINGS).all()
        days, gib = self._settings.keep_days, self._settings.keep_gib
        total = sum(recording.size for recording in recordings)
        for recording in recordings:
            old = days > 0 and now - recording.written_ns > days * 86_400 * SECOND
            large = gib > 0 and total > gib * 1024 * MIB
            if not old and not large:
                continue
            total -= recording.size
            disk.remove_folder(self._settings.folder / recording.site / recording.name)
            with self._store.write() as connection:
                connection.execute(
                    delete(segments).where(
                        segments.c.site == recording.site, segments.c.name == recording.name
                    )
                )
            _log.info(
                "recording_removed", site=recording.site, name=recording.name, reason="age" if old else "size"
            )


def _files_of(folder: Path) -> Iterator[Path]:
    """Yield the folder of recordings and all that is in it; nothing if there is none."""
    if folder.is_dir():
        yield folder
        yield from folder.rglob("*")


def _folder_name(at: Instant) -> str:
    """Return an instant as a folder name that sorts by time: UTC, to the millisecond."""
    return text(at).replace("-", "").replace(":", "")[:-4] + "Z"


_SIZES: Final = PreparedQuery(
    select(arrived.c.seq, arrived.c.size)
    .where(arrived.c.seq > bindparam("after"), arrived.c.seq <= bindparam("upto"))
    .order_by(arrived.c.seq)
    .limit(CHUNK)
)
_SPOOLED: Final = PreparedQuery(
    select(arrived.c.seq, arrived.c.received_ns, arrived.c.rows)
    .where(arrived.c.seq > bindparam("after"), arrived.c.seq <= bindparam("upto"))
    .order_by(arrived.c.seq)
)
_NEWEST: Final = select(func.max(segments.c.began_ns)).where(segments.c.site == bindparam("site"))
_RECORDINGS: Final = (
    select(segments.c.site, segments.c.name, segments.c.written_ns, segments.c.size)
    .where(segments.c.state == "written")
    .order_by(segments.c.began_ns)
)
_oldest = select(arrived.c.seq).where(arrived.c.seq <= bindparam("upto")).order_by(arrived.c.seq).limit(CHUNK)
_DELETE_SPOOLED: Final = delete(arrived).where(arrived.c.seq.in_(_oldest))
