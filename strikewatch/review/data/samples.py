"""Sources of the samples around an instant: recordings of live runs, or the recorded shifts under review."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from sqlalchemy import select

from strikewatch.core.batch import NO_ROWS, Key, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import InputError
from strikewatch.review.data.attribution import bouts_by_hammer
from strikewatch.sources.recordings import Shift, open_shifts
from strikewatch.sources.same_instant import merge_sorted
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.schema.tables import bouts, segments

Level = tuple[Instant, Instant, float]
"""Start and end of a bout, and the expected pressure of this hammer under load, bar; NaN: not known."""

_MAX_OFFSET: Final = 3600 * SECOND
"""Recordings are named by arrival time: rows that arrived on time are in one at most this far from their own time."""


class SampleSource(Protocol):
    """Recorded samples of hammers."""

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        """Return a hammer's rows in [begin, end), by time; empty where none are kept."""

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        """Return the bouts that overlap [begin, end), in order."""

    def find_recording(self, key: Key, at: Instant) -> Path | None:
        """Return the recording with a hammer's rows around an instant, or None."""


class ShiftSamples:
    """Samples of the recorded shifts under review, with the bouts that their replay found."""

    def __init__(self, shifts: Sequence[Shift], results: Iterable[StepResult]) -> None:
        self._shifts = shifts
        self._bouts = bouts_by_hammer(results, "loaded_level_bar")

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        return _join_rows(self._overlapping_recordings(begin, end), key, begin, end)

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        if key not in self._bouts:
            return []
        starts, ends, level = self._bouts[key]
        overlapping = slice(np.searchsorted(ends, begin, side="right"), np.searchsorted(starts, end))
        return list(zip(*(column[overlapping].tolist() for column in (starts, ends, level)), strict=True))

    def find_recording(self, key: Key, at: Instant) -> Path | None:
        return _find_recording(self._overlapping_recordings(at, at + 1), key, at)

    def _overlapping_recordings(self, begin: Instant, end: Instant) -> Iterator[Shift]:
        for shift in self._shifts:
            first, last = shift.span()
            if first < end and begin <= last:
                yield shift


@dataclass(frozen=True, slots=True)
class StoredSamples:
    """Samples of the recordings next to a database, with the bouts in the database."""

    _database: DatabaseAccess
    _recordings: Path

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        rows = _join_rows(self._overlapping_recordings(key, begin, end), key, begin, end)
        # Late rows, and rows not yet recorded, are elsewhere and take a longer search.
        return rows if len(rows) else rows_between(self._database, self._recordings, key, begin, end)

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        columns = bouts.c
        query = (
            select(columns.start_ns, columns.end_ns, columns.loaded_level_bar)
            .where(
                columns.site == key[0],
                columns.hammer == key[1],
                columns.start_ns < end,
                columns.end_ns > begin,
            )
            .order_by(columns.start_ns)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
        return [(start, stop, float("nan") if level is None else level) for start, stop, level in rows]

    def find_recording(self, key: Key, at: Instant) -> Path | None:
        return _find_recording(self._overlapping_recordings(key, at, at + 1), key, at)

    def _overlapping_recordings(self, key: Key, begin: Instant, end: Instant) -> Iterator[Shift]:
        columns = segments.c
        query = (
            select(columns.name)
            .where(
                columns.site == key[0],
                columns.state == "written",
                columns.began_ns < end + _MAX_OFFSET,
                columns.written_ns >= begin - _MAX_OFFSET,
            )
            .order_by(columns.began_ns)
        )
        with self._database.read() as connection:
            names = connection.scalars(query).all()
        for name in names:
            try:
                yield from open_shifts(self._recordings / key[0] / name)
            except InputError:
                continue  # deleted or damaged: the remaining recordings are still worth showing


def _join_rows(shifts: Iterable[Shift], key: Key, begin: Instant, end: Instant) -> Rows:
    parts = [rows for shift in shifts if len(rows := shift.between(key, begin, end))]
    if not parts:
        return NO_ROWS
    rows = Rows.join(parts)
    if np.all(rows.time_ns[1:] > rows.time_ns[:-1]):
        return rows
    return merge_sorted(rows[np.argsort(rows.time_ns, kind="stable")])[0]  # of recordings in any order


def _find_recording(shifts: Iterable[Shift], key: Key, at: Instant) -> Path | None:
    """Return the folder or file of the shift with rows of a hammer around an instant."""
    for shift in shifts:
        if len(shift.between(key, at - SECOND, at + SECOND)):
            path = Path(shift.place)
            return path.parent if path.stem == "samples" else path
    return None
