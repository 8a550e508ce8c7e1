"""Merge recordings: each hammer's rows in time order, whatever the order of files, row groups and rows.

First the time ranges of all parts are read. Then each part is read once, in the order of their first rows. Rows wait
only while an unread part may contain earlier rows of that hammer. Recordings that do not overlap are returned as they
are read.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from strikewatch.core.batch import Ints, Key, Rows
from strikewatch.core.instant import LATEST, Instant
from strikewatch.sources.recordings.clocks import Arrivals, Interval
from strikewatch.sources.recordings.table import PIECE_ROWS, Shift

_NEVER: Final = LATEST + 1


@dataclass(frozen=True, slots=True)
class OverlapGroup:
    """Recordings of one hammer that overlap in time, by index, in the order of their first rows.

    They count as one feed. Usually there is only one recording.
    """

    key: Key
    shifts: tuple[int, ...]


@dataclass(slots=True)
class _PartRange:
    """A hammer's rows in one part of a shift: their numbers in order of arrival, and their time range."""

    first_index: int
    n: int
    low: Instant
    high: Instant


@dataclass(slots=True)
class _Waiting:
    group: OverlapGroup
    rows: Rows


@dataclass(slots=True)
class Merge:
    """The merge of some shifts; `only`: of one hammer instead of all."""

    shifts: Sequence[Shift]
    only: Key | None = None
    wrong_clock: list[int] = field(init=False)
    """Number of rows with a wrong clock, by shift."""
    first_wrong: dict[int, tuple[Key, Instant]] = field(init=False)
    """The first such row of each shift that has any."""
    starts: dict[Key, dict[int, Instant]] = field(init=False)
    """By hammer, when each shift with its rows begins, without rows of a wrong clock."""
    _ranges: dict[tuple[int, int], dict[Key, _PartRange]] = field(init=False)
    _wrong: dict[tuple[int, Key], list[tuple[int, int]]] = field(init=False)
    _groups: dict[tuple[int, Key], OverlapGroup] = field(init=False)

    def __post_init__(self) -> None:
        self.wrong_clock = [0] * len(self.shifts)
        self.first_wrong = {}
        self.starts, self._ranges, self._wrong, self._groups = {}, {}, {}, {}
        recorded: dict[Key, dict[int, list[Interval]]] = defaultdict(dict)
        for s, shift in enumerate(self.shifts):
            for key, intervals in self._scan(s, shift).items():
                if intervals:
                    recorded[key][s] = intervals
        for key, shifts in recorded.items():
            self.starts[key] = {s: intervals[0][0] for s, intervals in shifts.items()}
            for group in _overlapping(shifts):
                order = tuple(sorted(group, key=lambda s, key=key: (self.starts[key][s], s)))  # type: ignore[misc]
                for s in group:
                    self._groups[s, key] = OverlapGroup(key, order)

    def pieces(self) -> Iterator[tuple[OverlapGroup, Rows]]:
        """Yield each hammer's rows in time order, about PIECE_ROWS at a time at most."""
        waiting: dict[Key, list[_Waiting]] = defaultdict(list)
        order = sorted(self._ranges, key=lambda part: (self._begin(part), part))
        unread: dict[Key, list[tuple[Instant, tuple[int, int]]]] = defaultdict(list)
        for part, ranges in self._ranges.items():
            for key, range_ in ranges.items():
                unread[key].append((range_.low, part))
        for own in unread.values():
            own.sort(reverse=True)
        read: set[tuple[int, int]] = set()
        for part in order:
            for key, rows in self._rows_of(part):
                waiting[key].append(_Waiting(self._groups[part[0], key], rows))
            read.add(part)
            for key in self._ranges[part]:
                own = unread[key]
                while own and own[-1][1] in read:
                    own.pop()
                yield from _release(waiting[key], own[-1][0] if own else _NEVER)

    def _begin(self, part: tuple[int, int]) -> Instant:
        return min((range_.low for range_ in self._ranges[part].values()), default=_NEVER)

    def _scan(self, s: int, shift: Shift) -> dict[Key, list[Interval]]:
        """Read the time ranges of a shift's parts and find wrong clocks; return when each hammer was recorded."""
        arrivals: dict[Key, Arrivals] = defaultdict(Arrivals)
        for number in range(shift.parts):
            ranges: dict[Key, _PartRange] = {}
            for key, time_ns in shift.times(number):
                if self.only in (None, key) and len(time_ns):
                    low, high = int(time_ns.min()), int(time_ns.max())
                    if key in ranges:
                        range_ = ranges[key]
                        range_.n, range_.low, range_.high = (
                            range_.n + len(time_ns),
                            min(range_.low, low),
                            max(range_.high, high),
                        )
                    else:
                        ranges[key] = _PartRange(arrivals[key].n, len(time_ns), low, high)
                    arrivals[key].add(time_ns)
            if ranges or self.only is None:
                self._ranges[s, number] = (
                    ranges  # a part without usable rows is read too, to count the unusable ones
                )
        found: dict[Key, list[Interval]] = {}
        for key, own in arrivals.items():
            wrong, found[key] = own.classify()
            if shift.recorded_in_order:
                wrong = []  # checked when it was recorded
                found[key] = [(found[key][0][0], found[key][-1][1])]
            if wrong:
                self._wrong[s, key] = wrong
                self.wrong_clock[s] += sum(end - first for first, end in wrong)
                self._narrow_ranges(s, shift, key)
        return found

    def _narrow_ranges(self, s: int, shift: Shift, key: Key) -> None:
        """Narrow the time ranges of a hammer's parts to rows without a wrong clock."""
        for number in range(shift.parts):
            range_ = self._ranges.get((s, number), {}).get(key)
            if range_ is None:
                continue
            good = self._good((s, key), range_.first_index, range_.n)
            if good.all():
                continue
            parts = [time_ns for one, time_ns in shift.times(number) if one == key]
            every = np.concatenate(parts)
            self.first_wrong.setdefault(s, (key, int(every[~good][0])))
            left = every[good]
            range_.low = int(left.min()) if len(left) else _NEVER
            range_.high = int(left.max()) if len(left) else _NEVER

    def _good(
        self, shift_and_key: tuple[int, Key], first: int, n: int
    ) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        good = np.ones(n, bool)
        for begin, end in self._wrong.get(shift_and_key, ()):
            good[max(0, begin - first) : max(0, end - first)] = False
        return good

    def _rows_of(self, part: tuple[int, int]) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows of a part without those of wrong clocks."""
        s, number = part
        seen = {key: range_.first_index for key, range_ in self._ranges[part].items()}
        for key, rows in self.shifts[s].part(number):
            if key not in seen:
                continue
            n = len(rows)
            if (s, key) in self._wrong:
                good = self._good((s, key), seen[key], n)
                rows = rows if good.all() else rows[good]
            seen[key] += n
            if len(rows):
                yield key, rows


def _overlapping(shifts: dict[int, list[Interval]]) -> list[set[int]]:
    """Return groups of shifts that overlap in time; a shift without overlap is a group by itself."""
    member = {s: {s} for s in shifts}
    every = sorted((low, high, s) for s, own in shifts.items() for low, high in own)
    reach, holder = -1, -1
    for low, high, s in every:
        if low <= reach and member[s] is not member[holder]:
            member[s] |= member[holder]
            for one in member[s]:
                member[one] = member[s]
        if high > reach:
            reach, holder = high, s
    return list({id(group): group for group in member.values()}.values())


def _release(waiting: list[_Waiting], bound: Instant) -> Iterator[tuple[OverlapGroup, Rows]]:
    """Remove the rows before `bound` from `waiting`; yield them in time order."""
    if not any(int(part.rows.time_ns.min()) < bound for part in waiting):
        return
    held, waiting[:] = list(waiting), []
    if _in_order(held):
        for part in held:
            n = int(np.searchsorted(part.rows.time_ns, bound))
            if n:
                yield part.group, part.rows[:n] if n < len(part.rows) else part.rows
            if n < len(part.rows):
                waiting.append(_Waiting(part.group, part.rows[n:]))
        return
    rows = Rows.join([part.rows for part in held])
    order = np.argsort(rows.time_ns, kind="stable")
    free = int(np.searchsorted(rows.time_ns[order], bound))
    part_of_row = np.repeat(np.arange(len(held)), [len(part.rows) for part in held])[order]
    groups = list(dict.fromkeys(part.group for part in held))
    group = np.array([groups.index(part.group) for part in held])[part_of_row]
    cuts: Ints = np.unique(
        np.r_[np.arange(0, len(order), PIECE_ROWS), np.flatnonzero(np.diff(group)) + 1, free, len(order)]
    )
    for first, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        owner, piece = groups[int(group[first])], rows[order[first:end]]
        if end <= free:
            yield owner, piece
        else:
            waiting.append(_Waiting(owner, piece))


def _in_order(held: list[_Waiting]) -> bool:
    last = -1
    for part in held:
        time_ns = part.rows.time_ns
        if time_ns[0] < last or np.any(time_ns[1:] < time_ns[:-1]):
            return False
        last = int(time_ns[-1])
    return True
