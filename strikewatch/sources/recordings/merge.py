"""Merge recordings: each hammer's rows in time order, whatever the order of files, row groups and rows.

First the time ranges of all parts are read. Then each part is read once, in the order of their first rows. Rows wait
only while an unread part may contain earlier rows of that hammer. Recordings that do not overlap are returned as they
are read. Parts may be read in several threads (`read`); they are taken in order (`take`).
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Ints, Key, Rows
from strikewatch.core.instant import LATEST, Instant
from strikewatch.sources.recordings.clocks import Arrivals, Interval, Run, runs_of, step_range
from strikewatch.sources.recordings.row_reader import PIECE_ROWS, RowReader
from strikewatch.sources.recordings.shift import Shift

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


class Piece(NamedTuple):
    """Some of a hammer's rows, with bounds of the steps between them, ns."""

    group: OverlapGroup
    rows: Rows
    smallest_step: int
    largest_step: int

    def cut(self, first: int, end: int) -> "Piece":
        """Return rows first to end - 1."""
        return self if end - first == len(self.rows) else self._replace(rows=self.rows[first:end])


Part = tuple[int, int]
"""Number of the shift, and of the part in it."""


class ReadPart(NamedTuple):
    """The pieces of a part, and what is to be added to the counts of its shift."""

    pieces: list[Piece]
    counts: RowReader | None


Map = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
"""A function like `map`, which may work on several items at once."""


@dataclass(slots=True)
class Merge:
    """The merge of some shifts; `only`: of one hammer instead of all. `map_parts` may read several parts at once."""

    shifts: Sequence[Shift]
    only: Key | None = None
    map_parts: Map = map
    parts: list[Part] = field(init=False)
    """All parts, in the order in which they are to be taken."""
    row_counts: dict[Key, int] = field(init=False)
    """Number of rows by hammer, in the order in which the hammers begin."""
    wrong_clock: list[int] = field(init=False)
    """Number of rows with a wrong clock, by shift."""
    first_wrong: dict[int, tuple[Key, Instant]] = field(init=False)
    """The first such row of each shift that has any."""
    starts: dict[Key, dict[int, Instant]] = field(init=False)
    """By hammer, when each shift with its rows begins, without rows of a wrong clock."""
    ends: dict[Key, dict[int, Instant]] = field(init=False)
    """By hammer, the last instant of each shift with its rows, likewise."""
    _ranges: dict[Part, dict[Key, _PartRange]] = field(init=False)
    _wrong: dict[tuple[int, Key], list[tuple[int, int]]] = field(init=False)
    _groups: dict[tuple[int, Key], OverlapGroup] = field(init=False)
    _unread: dict[Key, list[tuple[Instant, Part]]] = field(init=False)
    _taken: set[Part] = field(init=False)
    _waiting: dict[Key, list[Piece]] = field(init=False)

    def __post_init__(self) -> None:
        self.wrong_clock = [0] * len(self.shifts)
        self.first_wrong = {}
        self.starts, self.ends, self._ranges, self._wrong, self._groups = {}, {}, {}, {}, {}
        recorded: dict[Key, dict[int, list[Interval]]] = defaultdict(dict)
        for s, shift in enumerate(self.shifts):
            for key, intervals in self._scan(s, shift).items():
                if intervals:
                    recorded[key][s] = intervals
        for key, shifts in recorded.items():
            self.starts[key] = {s: intervals[0][0] for s, intervals in shifts.items()}
            self.ends[key] = {s: max(high for _, high in intervals) for s, intervals in shifts.items()}
            for group in _overlapping(shifts):
                order = tuple(sorted(group, key=lambda s, key=key: (self.starts[key][s], s)))  # type: ignore[misc]
                for s in group:
                    self._groups[s, key] = OverlapGroup(key, order)

        self.parts = sorted(self._ranges, key=lambda part: (self._begin(part), part))
        self.row_counts, self._unread = {}, defaultdict(list)
        for part in self.parts:
            for key, range_ in self._ranges[part].items():
                self.row_counts[key] = self.row_counts.get(key, 0) + range_.n
                self._unread[key].append((range_.low, part))
        for own in self._unread.values():
            own.sort(reverse=True)
        self._taken, self._waiting = set(), defaultdict(list)

    def pieces(self) -> Iterator[Piece]:
        """Yield each hammer's rows in time order, about PIECE_ROWS at a time at most."""
        for part in self.parts:
            yield from self.take(part, self.read(part))

    def read(self, part: Part) -> ReadPart:
        """Read the rows of a part without those of wrong clocks. Different parts may be read in different threads."""
        s, number = part
        pieces: list[Piece] = []
        seen = {key: range_.first_index for key, range_ in self._ranges[part].items()}
        found, counts = self.shifts[s].read_part(number)
        for key, rows in found:
            if key not in seen:
                continue
            n = len(rows)
            if (s, key) in self._wrong:
                good = self._good((s, key), seen[key], n)
                rows = rows if good.all() else rows[good]
            seen[key] += n
            if len(rows):
                pieces.append(_piece(self._groups[s, key], rows))
        return ReadPart(pieces, counts)

    def take(self, part: Part, read: ReadPart) -> Iterator[Piece]:
        """Yield the pieces that can follow now. All parts must be taken, in the order of `parts`."""
        if read.counts is not None:
            self.shifts[part[0]].add_counts(read.counts)
        for piece in read.pieces:
            self._waiting[piece.group.key].append(piece)
        self._taken.add(part)
        for key in self._ranges[part]:
            own = self._unread[key]
            while own and own[-1][1] in self._taken:
                own.pop()
            yield from _release(self._waiting[key], own[-1][0] if own else _NEVER)

    def _begin(self, part: tuple[int, int]) -> Instant:
        return min((range_.low for range_ in self._ranges[part].values()), default=_NEVER)

    def _scan(self, s: int, shift: Shift) -> dict[Key, list[Interval]]:
        """Read the time ranges of a shift's parts and find wrong clocks; return when each hammer was recorded."""
        arrivals: dict[Key, Arrivals] = defaultdict(Arrivals)
        found: dict[Key, list[Interval]] = {}
        for number, times in enumerate(
            self.map_parts(lambda number: self._times(shift, number), range(shift.parts))
        ):
            ranges: dict[Key, _PartRange] = {}
            for key, runs in times:
                if self.only in (None, key) and runs:
                    n, low, high = (
                        sum(run.n for run in runs),
                        min(r.low for r in runs),
                        max(r.high for r in runs),
                    )
                    if (known := ranges.get(key)) is not None:
                        known.n, known.low, known.high = (
                            known.n + n,
                            min(known.low, low),
                            max(known.high, high),
                        )
                    else:
                        ranges[key] = _PartRange(arrivals[key].n, n, low, high)
                    arrivals[key].add(runs)
            if (
                ranges or self.only is None
            ):  # a part without usable rows is read too, to count the unusable ones
                self._ranges[s, number] = ranges
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

    @staticmethod
    def _times(shift: Shift, number: int) -> list[tuple[Key, list[Run]]]:
        """Return the instants of a part by hammer, as runs."""
        known = shift.extent(number)
        if known is not None:
            key, n, first, last = known
            return [(key, [Run(0, n, first, last, first, last)])]
        return [(key, runs_of(time_ns)) for key, time_ns in shift.times(number)]

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


def _piece(group: OverlapGroup, rows: Rows) -> Piece:
    return Piece(group, rows, *step_range(rows.time_ns))


def _release(waiting: list[Piece], bound: Instant) -> Iterator[Piece]:
    """Remove the rows before `bound` from `waiting`; yield them in time order."""
    if not any(_first(piece) < bound for piece in waiting):
        return
    held, waiting[:] = list(waiting), []
    if _in_order(held):
        for piece in held:
            time_ns = piece.rows.time_ns
            n = len(time_ns) if time_ns[-1] < bound else int(np.searchsorted(time_ns, bound))
            if n:
                yield piece.cut(0, n)
            if n < len(time_ns):
                waiting.append(piece.cut(n, len(time_ns)))
        return
    rows = Rows.join([piece.rows for piece in held])
    order = np.argsort(rows.time_ns, kind="stable")
    free = int(np.searchsorted(rows.time_ns[order], bound))
    piece_of_row = np.repeat(np.arange(len(held)), [len(piece.rows) for piece in held])[order]
    groups = list(dict.fromkeys(piece.group for piece in held))
    group = np.array([groups.index(piece.group) for piece in held])[piece_of_row]
    cuts: Ints = np.unique(
        np.r_[np.arange(0, len(order), PIECE_ROWS), np.flatnonzero(np.diff(group)) + 1, free, len(order)]
    )
    for first, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        sorted_piece = _piece(groups[int(group[first])], rows[order[first:end]])
        if end <= free:
            yield sorted_piece
        else:
            waiting.append(sorted_piece)


def _first(piece: Piece) -> Instant:
    return int(piece.rows.time_ns[0] if piece.smallest_step >= 0 else piece.rows.time_ns.min())


def _in_order(held: list[Piece]) -> bool:
    last = -1
    for piece in held:
        if piece.smallest_step < 0 or piece.rows.time_ns[0] < last:
            return False
        last = int(piece.rows.time_ns[-1])
    return True
