"""Merge rows of one hammer and one instant: together they are one reading.

The first value of a channel at an instant counts. A row that adds no new channel to its instant is a duplicate.
"""

import zlib
from collections.abc import Mapping
from itertools import islice
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.channels import CHANNELS, hold_column

REMEMBERED: Final = 1024
"""Number of instants kept to tell a duplicate from a late row; rows of older instants count as late."""
_BITS: Final = {name: 1 << k for k, name in enumerate(CHANNELS)}
_PARTS: Final = 64


def masks(columns: Mapping[str, Floats], count: int) -> list[int]:
    """Return the channels with a value in each of `count` rows, as bits in the order of CHANNELS."""
    if count == 1:
        found = 0
        for name, column in columns.items():
            value = column.item()
            if value == value:
                found |= _BITS.get(name, 0)
        return [found]
    total = np.zeros(count, np.int64)
    for name, column in columns.items():
        if name in _BITS:
            total |= (column == column) * np.int64(_BITS[name])
    found_in: list[int] = total.tolist()
    return found_in


def add_missing(columns: Mapping[str, Floats], to: int, source: int) -> None:
    """Copy to row `to` the values of row `source` in the channels that `to` lacks, in place."""
    for name in _channels(columns):
        column = columns[name]
        if column[to] != column[to]:
            column[to] = column[source]
            bound = columns.get(hold_column(name))
            if bound is not None:
                bound[to] = bound[source]


def without(columns: Mapping[str, Floats], row: int, known: int) -> None:
    """Remove from a row the values of the channels in `known` (bits), in place."""
    for name in _channels(columns):
        if known & _BITS[name]:
            columns[name][row] = np.nan


def merge_sorted(rows: Rows) -> tuple[Rows, int, int]:
    """Merge rows of equal instants, which must be adjacent.

    Returns the merged rows, and how many rows were merged into another and how many were duplicates.
    """
    count = len(rows)
    first = np.flatnonzero(np.diff(rows.time_ns, prepend=rows.time_ns[0] - 1))
    place = np.arange(count)
    useful = np.zeros(count, bool)
    columns: dict[str, Floats] = {}
    for name in _channels(rows.columns):
        column = rows.columns[name]
        source = np.minimum.reduceat(np.where(column == column, place, count), first)
        found = source < count
        useful[source[found]] = True
        for each in (name, hold_column(name)):
            if each in rows.columns:
                columns[each] = np.where(found, rows.columns[each][np.minimum(source, count - 1)], np.nan)
    useful[first] = True
    used = int(np.count_nonzero(useful))
    return Rows(rows.time_ns[first], columns), used - len(first), count - used


def _channels(columns: Mapping[str, Floats]) -> list[str]:
    return [name for name in columns if name in _BITS]


def copied(rows: Rows) -> Rows:
    """Return a copy of a few rows, so that they do not keep the columns of all rows of a large piece in memory."""
    return Rows(rows.time_ns.copy(), {name: column.copy() for name, column in rows.columns.items()})


class ReleasedInstants:
    """The instants released most recently, and the channels of each."""

    def __init__(self) -> None:
        self._parts: list[Rows] = []  # not indexed yet
        self._rows = 0  # number of rows in `_parts`
        self._times = np.empty(0, np.int64)  # earlier than `_parts`
        self._masks = np.empty(0, np.int64)
        self._known: dict[int, int] = {}  # replaces `_times` and `_masks` while it is in use

    def note(self, rows: Rows) -> None:
        """Add released rows, strictly increasing in time; cheap, because every step does it."""
        count = len(rows.time_ns)
        self._parts.append(rows if count <= REMEMBERED else copied(rows[-REMEMBERED:]))
        self._rows += min(count, REMEMBERED)
        if self._rows > 4 * REMEMBERED:
            self._drop_old()
        if len(self._parts) >= _PARTS:
            self._compact()

    def known(self) -> dict[int, int]:
        """Return instant → channels as bits, the oldest first. The caller may add to it, then must call `trim`."""
        if len(self._times):
            self._known = dict(zip(self._times.tolist(), self._masks.tolist(), strict=True))
            self._times = self._masks = np.empty(0, np.int64)
        for part in self._parts:
            self._known.update(zip(part.time_ns.tolist(), masks(part.columns, len(part)), strict=True))
        self._parts, self._rows = [], 0
        return self._known

    def trim(self) -> None:
        """Drop the oldest instants when there are more than twice REMEMBERED."""
        if len(self._known) > 2 * REMEMBERED:
            self._known = dict(islice(self._known.items(), len(self._known) - REMEMBERED, None))

    def saved(self) -> bytes:
        """Return the instants and their channels as bytes: int64 [2, n], compressed, instants as differences."""
        self._compact()
        return zlib.compress(np.stack([np.diff(self._times, prepend=0), self._masks]).tobytes(), 1)

    def restore(self, saved: bytes) -> None:
        """Continue with what `saved` returned."""
        steps, self._masks = np.frombuffer(zlib.decompress(saved), np.int64).reshape(2, -1)
        self._times = np.cumsum(steps)
        self._known, self._parts, self._rows = {}, [], 0

    def _drop_old(self) -> None:
        """Drop everything before the newest parts that hold REMEMBERED rows, without indexing it."""
        first = 0
        while self._rows - len(self._parts[first].time_ns) >= REMEMBERED:
            self._rows -= len(self._parts[first].time_ns)
            first += 1
        del self._parts[:first]
        self._times = self._masks = np.empty(0, np.int64)
        self._known = {}

    def _compact(self) -> None:
        """Store the newest instants in two small arrays."""
        times = [self._times, np.array(list(self._known), np.int64)]
        channels = list(self._known.values())
        for part in self._parts:
            times.append(part.time_ns)
            channels += masks(part.columns, len(part.time_ns))
        self._times = np.concatenate(times)[-REMEMBERED:]
        self._masks = np.concatenate([self._masks, np.array(channels, np.int64)])[-REMEMBERED:]
        self._known, self._parts, self._rows = {}, [], 0
