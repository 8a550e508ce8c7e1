"""Rows of one hammer and one instant are one reading: which channels a row carries, and how rows are merged.

The first value of a channel at an instant counts. A row that brings no new channel to its instant is a duplicate.
"""

from collections.abc import Mapping
from itertools import islice
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.channels import CHANNELS, hold_column

REMEMBERED: Final = 1024
"""Instants remembered to tell a duplicate from a late row; older ones count as late."""
_BITS: Final = {name: 1 << k for k, name in enumerate(CHANNELS)}
_PARTS: Final = 64


def masks(columns: Mapping[str, Floats], count: int) -> list[int]:
    """The channels that each of `count` rows has a value of, as bits in the order of CHANNELS."""
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
    """Give row `to` the values of row `source` in channels that it has none of, in place."""
    for name in _channels(columns):
        column = columns[name]
        if column[to] != column[to]:
            column[to] = column[source]
            bound = columns.get(hold_column(name))
            if bound is not None:
                bound[to] = bound[source]


def without(columns: Mapping[str, Floats], row: int, known: int) -> None:
    """Take from a row the values of the channels in `known`, in place."""
    for name in _channels(columns):
        if known & _BITS[name]:
            columns[name][row] = np.nan


def merge_sorted(rows: Rows) -> tuple[Rows, int, int]:
    """Merge rows of equal instants, which must stand side by side.

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


class Passed:
    """The instants passed on lately, and which channels each had."""

    def __init__(self) -> None:
        self._parts: list[Rows] = []  # not looked at yet
        self._rows = 0  # in those
        self._times = np.empty(0, np.int64)  # before those
        self._masks = np.empty(0, np.int64)
        self._known: dict[int, int] = {}  # in place of `_times` and `_masks` while they are asked for

    def note(self, rows: Rows) -> None:
        """Remember rows that were passed on, strictly increasing; cheap, for it is done at each step."""
        count = len(rows.time_ns)
        self._parts.append(rows if count <= REMEMBERED else rows[-REMEMBERED:])
        self._rows += min(count, REMEMBERED)
        if self._rows > 4 * REMEMBERED:
            self._drop_old()
        if len(self._parts) >= _PARTS:
            self._shorten()

    def known(self) -> dict[int, int]:
        """Instant → channels as bits, the oldest first. May be added to; call `trim` after that."""
        if len(self._times):
            self._known = dict(zip(self._times.tolist(), self._masks.tolist(), strict=True))
            self._times = self._masks = np.empty(0, np.int64)
        for part in self._parts:
            self._known.update(zip(part.time_ns.tolist(), masks(part.columns, len(part)), strict=True))
        self._parts, self._rows = [], 0
        return self._known

    def trim(self) -> None:
        """Forget the oldest instants, where there are far more than REMEMBERED."""
        if len(self._known) > 2 * REMEMBERED:
            self._known = dict(islice(self._known.items(), len(self._known) - REMEMBERED, None))

    def _drop_old(self) -> None:
        """Forget what lies before the newest parts of REMEMBERED rows, without a look at it."""
        first = 0
        while self._rows - len(self._parts[first].time_ns) >= REMEMBERED:
            self._rows -= len(self._parts[first].time_ns)
            first += 1
        del self._parts[:first]
        self._times = self._masks = np.empty(0, np.int64)
        self._known = {}

    def _shorten(self) -> None:
        """Put what is remembered into two small arrays."""
        times = [self._times, np.array(list(self._known), np.int64)]
        channels = list(self._known.values())
        for part in self._parts:
            times.append(part.time_ns)
            channels += masks(part.columns, len(part.time_ns))
        self._times = np.concatenate(times)[-REMEMBERED:]
        self._masks = np.concatenate([self._masks, np.array(channels, np.int64)])[-REMEMBERED:]
        self._known, self._parts, self._rows = {}, [], 0
