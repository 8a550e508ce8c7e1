"""Where the samples around a moment come from: the recordings of live runs, or the recorded shifts under review."""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from sqlalchemy import select

from strikewatch.core.batch import NO_ROWS, Key, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import InputError
from strikewatch.review.data.bout_columns import gathered
from strikewatch.sources.recordings import Shift, open_shifts
from strikewatch.sources.same_instant import merge_sorted
from strikewatch.storage.engines.shared import Place
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.schema.bout_tables import bouts
from strikewatch.storage.schema.tables import segments

Level = tuple[Instant, Instant, float]
"""A bout, from and to, with the pressure that this hammer was expected to have while loaded, bar; NaN: not known."""

_APART: Final = 3600 * SECOND
"""A recording is named by the clock of arrival: what came in time lies in one that is at most so far off."""


class Recorded(Protocol):
    """What is kept of the hammers' samples."""

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        """A hammer's rows in [begin, end), in the order of time; none where nothing is kept."""

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        """The bouts that reach into [begin, end), in order."""

    def place(self, key: Key, at: Instant) -> Path | None:
        """The recording that holds a hammer's instant."""


class FromShifts:
    """The recorded shifts under review, and what a replay of them noted."""

    def __init__(self, shifts: Sequence[Shift], noted: Iterable[StepResult]) -> None:
        self._shifts = shifts
        self._bouts = gathered(noted, "loaded_level_bar")

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        return _joined(self._near(begin, end), key, begin, end)

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        if key not in self._bouts:
            return []
        starts, ends, level = self._bouts[key]
        near = slice(np.searchsorted(ends, begin, side="right"), np.searchsorted(starts, end))
        return list(zip(*(column[near].tolist() for column in (starts, ends, level)), strict=True))

    def place(self, key: Key, at: Instant) -> Path | None:
        return _holding(self._near(at, at + 1), key, at)

    def _near(self, begin: Instant, end: Instant) -> Iterator[Shift]:
        for shift in self._shifts:
            first, last = shift.span()
            if first < end and begin <= last:
                yield shift


class FromStore:
    """The recordings beside a database, and the bouts in it."""

    def __init__(self, place: Place, recordings: Path) -> None:
        self._place = place
        self._recordings = recordings

    def rows(self, key: Key, begin: Instant, end: Instant) -> Rows:
        rows = _joined(self._near(key, begin, end), key, begin, end)
        # What came late, or waits to be recorded, lies elsewhere: a longer search.
        return rows if len(rows) else rows_between(self._place, self._recordings, key, begin, end)

    def levels(self, key: Key, begin: Instant, end: Instant) -> list[Level]:
        b = bouts.c
        wanted = (
            select(b.start_ns, b.end_ns, b.loaded_level_bar)
            .where(b.site == key[0], b.hammer == key[1], b.start_ns < end, b.end_ns > begin)
            .order_by(b.start_ns)
        )
        with self._place.read() as connection:
            found = connection.execute(wanted).all()
        return [(start, stop, float("nan") if level is None else level) for start, stop, level in found]

    def place(self, key: Key, at: Instant) -> Path | None:
        return _holding(self._near(key, at, at + 1), key, at)

    def _near(self, key: Key, begin: Instant, end: Instant) -> Iterator[Shift]:
        s = segments.c
        wanted = (
            select(s.name)
            .where(
                s.site == key[0],
                s.state == "written",
                s.began_ns < end + _APART,
                s.written_ns >= begin - _APART,
            )
            .order_by(s.began_ns)
        )
        with self._place.read() as connection:
            names = connection.scalars(wanted).all()
        for name in names:
            try:
                yield from open_shifts(self._recordings / key[0] / name)
            except InputError:
                continue  # gone or damaged: what is left is still worth showing


def _joined(shifts: Iterable[Shift], key: Key, begin: Instant, end: Instant) -> Rows:
    parts = [rows for shift in shifts if len(rows := shift.between(key, begin, end))]
    if not parts:
        return NO_ROWS
    rows = Rows.join(parts)
    if np.all(rows.time_ns[1:] > rows.time_ns[:-1]):
        return rows
    return merge_sorted(rows[np.argsort(rows.time_ns, kind="stable")])[0]  # of recordings in any order


def _holding(shifts: Iterable[Shift], key: Key, at: Instant) -> Path | None:
    """The folder, or the single file, of the shift with rows of a hammer around an instant."""
    for shift in shifts:
        if len(shift.between(key, at - SECOND, at + SECOND)):
            place = Path(shift.place)
            return place.parent if place.stem == "samples" else place
    return None
