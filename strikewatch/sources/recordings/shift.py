"""An open recorded shift: its rows in pieces by hammer, its extent, and what its feeds have."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Ints, Key, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.sources.recordings.read_options import AS_IN_CONTRACT, ReadOptions
from strikewatch.sources.recordings.row_reader import RowReader
from strikewatch.sources.same_instant import merge_sorted

FEED_CHANNELS: Final = ("active", "engine_rpm", "tool_x_m", "tool_y_m")
"""Channels whose presence in a feed changes how the detectors read it."""


class Shift(RowReader, ABC):
    """An open recorded shift; `total` is its number of rows. A kind of shift defines `pieces` and `feeds`."""

    total: int
    parts: int = 1
    """Number of parts that can be read separately."""

    recorded_in_order = False
    """Our own recording: rows are already checked and in time order."""

    in_folder = False
    """The samples are in a folder with the other files of the shift: events, settings."""

    def __init__(self) -> None:
        super().__init__()
        self.events: list[Event] = []

    @abstractmethod
    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows in the order of the table, one hammer at a time, at most PIECE_ROWS each."""

    def part(self, number: int) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows of one part, like `pieces`."""
        del number
        return self.pieces()

    def read_part(self, number: int) -> tuple[list[tuple[Key, Rows]], RowReader | None]:
        """Return the rows of one part, and what is to be added to the counts of the shift (`add_counts`).

        Different parts may be read in different threads.
        """
        return list(self.part(number)), None

    def extent(self, number: int) -> tuple[Key, int, Instant, Instant] | None:
        """Return hammer, number of rows, first and last instant of a part in time order, if known without reading."""
        del number
        return None

    def times(self, number: int) -> Iterator[tuple[Key, Ints]]:
        """Yield the instants of the same rows, in the same order."""
        return ((key, rows.time_ns) for key, rows in self.part(number))

    @abstractmethod
    def feeds(self) -> dict[Key, set[str]]:
        """Return which of FEED_CHANNELS each hammer's feed has."""

    def span(self) -> tuple[Instant, Instant]:
        """Return the first and the last instant."""
        ends = [(int(rows.time_ns.min()), int(rows.time_ns.max())) for _, rows in self.pieces() if len(rows)]
        return min((first for first, _ in ends), default=0), max((last for _, last in ends), default=0)

    def between(self, key: Key, begin: Instant, end: Instant) -> Rows:
        """Return a hammer's rows in [begin, end), in time order, rows of one instant merged."""
        found = (rows for one, rows in self.near(key, begin, end) if one == key)
        parts = [rows[(rows.time_ns >= begin) & (rows.time_ns < end)] for rows in found]
        if not any(map(len, parts)):
            return NO_ROWS
        rows = Rows.join(parts)
        return merge_sorted(rows[np.argsort(rows.time_ns, kind="stable")])[0]

    def near(self, key: Key, begin: Instant, end: Instant) -> Iterator[tuple[Key, Rows]]:
        """Yield pieces with all of a hammer's rows in [begin, end), and possibly others."""
        del key, begin, end
        return self.pieces()


class TableShift(Shift):
    """A shift in memory: a frame, or a text file that was read."""

    def __init__(
        self,
        table: Any,
        place: str,
        site: str,
        first_row: int = 1,
        options: ReadOptions = AS_IN_CONTRACT,
    ) -> None:
        super().__init__()
        self.place = place
        self.options = options
        names = options.renamed(table.column_names, place)
        self.check_columns(names)
        self.check_names(names, table.schema.types)
        self.total = table.num_rows
        self._table = table.rename_columns(names)
        self._site = options.site or site
        self._first_row = first_row
        self._pieces: list[tuple[Key, Rows]] | None = None

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        if self._pieces is None:
            self._pieces = list(self.rows_of(self._table, self._site, self._first_row))
        return iter(self._pieces)

    def feeds(self) -> dict[Key, set[str]]:
        feeds: dict[Key, set[str]] = {}
        for key, rows in self.pieces():
            feeds.setdefault(key, set()).update(present(rows))
        return feeds


def present(rows: Rows) -> set[str]:
    """Return which of FEED_CHANNELS have a valid value in these rows."""
    found = set()
    for name in FEED_CHANNELS:
        column = rows.columns.get(name)
        channel = CHANNELS[name]
        if column is not None and ((column >= channel.low) & (column <= channel.high)).any():
            found.add(name)
    return found
