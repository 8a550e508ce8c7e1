"""Many recordings → each hammer's rows in the order of time, whatever the order of files, row groups and rows.

The instants of all parts are looked at first; then each part is read once, in the order in which their rows begin,
and rows wait only while a part that is still unread may hold earlier ones of that hammer. Recordings that do not
overlap are passed on as they are read.
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
class Together:
    """Recordings of a hammer whose rows lie between each other's, by their numbers, in the order in which they begin.

    They are one feed; most often there is only one recording.
    """

    key: Key
    shifts: tuple[int, ...]


@dataclass(slots=True)
class _Lot:
    """A hammer's rows in one part of a shift: which in the order of arrival, and from when to when."""

    first_index: int
    n: int
    low: Instant
    high: Instant


@dataclass(slots=True)
class _Waiting:
    together: Together
    rows: Rows


@dataclass(slots=True)
class Merge:
    """The plan of a replay: `only` of one hammer, or of all."""

    shifts: Sequence[Shift]
    only: Key | None = None
    wrong_clock: list[int] = field(init=False)
    """Rows of a wrong clock, by shift."""
    first_wrong: dict[int, tuple[Key, Instant]] = field(init=False)
    """Of each shift with such rows, the first."""
    starts: dict[Key, dict[int, Instant]] = field(init=False)
    """Of each hammer, when each shift with rows of it begins, wrong clocks aside."""
    _lots: dict[tuple[int, int], dict[Key, _Lot]] = field(init=False)
    _wrong: dict[tuple[int, Key], list[tuple[int, int]]] = field(init=False)
    _together: dict[tuple[int, Key], Together] = field(init=False)

    def __post_init__(self) -> None:
        self.wrong_clock = [0] * len(self.shifts)
        self.first_wrong = {}
        self.starts, self._lots, self._wrong, self._together = {}, {}, {}, {}
        recorded: dict[Key, dict[int, list[Interval]]] = defaultdict(dict)
        for s, shift in enumerate(self.shifts):
            for key, intervals in self._look_at(s, shift).items():
                if intervals:
                    recorded[key][s] = intervals
        for key, shifts in recorded.items():
            self.starts[key] = {s: intervals[0][0] for s, intervals in shifts.items()}
            for group in _groups(shifts):
                order = tuple(sorted(group, key=lambda s, key=key: (self.starts[key][s], s)))  # type: ignore[misc]
                for s in group:
                    self._together[s, key] = Together(key, order)

    def pieces(self) -> Iterator[tuple[Together, Rows]]:
        """Each hammer's rows, never going back in time, at most about PIECE_ROWS each."""
        waiting: dict[Key, list[_Waiting]] = defaultdict(list)
        order = sorted(self._lots, key=lambda part: (self._begin(part), part))
        unread: dict[Key, list[tuple[Instant, tuple[int, int]]]] = defaultdict(list)
        for part, lots in self._lots.items():
            for key, lot in lots.items():
                unread[key].append((lot.low, part))
        for own in unread.values():
            own.sort(reverse=True)
        read: set[tuple[int, int]] = set()
        for part in order:
            for key, rows in self._rows_of(part):
                waiting[key].append(_Waiting(self._together[part[0], key], rows))
            read.add(part)
            for key in self._lots[part]:
                own = unread[key]
                while own and own[-1][1] in read:
                    own.pop()
                yield from _released(waiting[key], own[-1][0] if own else _NEVER)

    def _begin(self, part: tuple[int, int]) -> Instant:
        return min((lot.low for lot in self._lots[part].values()), default=_NEVER)

    def _look_at(self, s: int, shift: Shift) -> dict[Key, list[Interval]]:
        """Find what parts a shift has, and its wrong clocks; return when each hammer was recorded."""
        arrivals: dict[Key, Arrivals] = defaultdict(Arrivals)
        for number in range(shift.parts):
            lots: dict[Key, _Lot] = {}
            for key, time_ns in shift.times(number):
                if self.only in (None, key) and len(time_ns):
                    low, high = int(time_ns.min()), int(time_ns.max())
                    if key in lots:
                        lot = lots[key]
                        lot.n, lot.low, lot.high = (
                            lot.n + len(time_ns),
                            min(lot.low, low),
                            max(lot.high, high),
                        )
                    else:
                        lots[key] = _Lot(arrivals[key].n, len(time_ns), low, high)
                    arrivals[key].add(time_ns)
            if lots or self.only is None:
                self._lots[s, number] = (
                    lots  # a part without usable rows is read too, to count what is unusable
                )
        found: dict[Key, list[Interval]] = {}
        for key, own in arrivals.items():
            wrong, found[key] = own.judged()
            if shift.as_it_came:
                wrong = []  # admitted when it was recorded
                found[key] = [(found[key][0][0], found[key][-1][1])]
            if wrong:
                self._wrong[s, key] = wrong
                self.wrong_clock[s] += sum(end - first for first, end in wrong)
                self._narrow(s, shift, key)
        return found

    def _narrow(self, s: int, shift: Shift, key: Key) -> None:
        """Leave the rows of wrong clocks out of the ends of a hammer's lots."""
        for number in range(shift.parts):
            lot = self._lots.get((s, number), {}).get(key)
            if lot is None:
                continue
            good = self._good((s, key), lot.first_index, lot.n)
            if good.all():
                continue
            parts = [time_ns for one, time_ns in shift.times(number) if one == key]
            every = np.concatenate(parts)
            self.first_wrong.setdefault(s, (key, int(every[~good][0])))
            left = every[good]
            lot.low = int(left.min()) if len(left) else _NEVER
            lot.high = int(left.max()) if len(left) else _NEVER

    def _good(self, whose: tuple[int, Key], first: int, n: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        good = np.ones(n, bool)
        for begin, end in self._wrong.get(whose, ()):
            good[max(0, begin - first) : max(0, end - first)] = False
        return good

    def _rows_of(self, part: tuple[int, int]) -> Iterator[tuple[Key, Rows]]:
        """The rows of a part but for those of wrong clocks."""
        s, number = part
        seen = {key: lot.first_index for key, lot in self._lots[part].items()}
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


def _groups(shifts: dict[int, list[Interval]]) -> list[set[int]]:
    """Shifts with rows in between each other's, together; the others each alone."""
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


def _released(waiting: list[_Waiting], bound: Instant) -> Iterator[tuple[Together, Rows]]:
    """Take out what is before `bound`, in the order of time."""
    if not any(int(one.rows.time_ns.min()) < bound for one in waiting):
        return
    held, waiting[:] = list(waiting), []
    if _in_order(held):
        for one in held:
            n = int(np.searchsorted(one.rows.time_ns, bound))
            if n:
                yield one.together, one.rows[:n] if n < len(one.rows) else one.rows
            if n < len(one.rows):
                waiting.append(_Waiting(one.together, one.rows[n:]))
        return
    rows = Rows.join([one.rows for one in held])
    order = np.argsort(rows.time_ns, kind="stable")
    free = int(np.searchsorted(rows.time_ns[order], bound))
    whose = np.repeat(np.arange(len(held)), [len(one.rows) for one in held])[order]
    groups = list(dict.fromkeys(one.together for one in held))
    group = np.array([groups.index(one.together) for one in held])[whose]
    cuts: Ints = np.unique(
        np.r_[np.arange(0, len(order), PIECE_ROWS), np.flatnonzero(np.diff(group)) + 1, free, len(order)]
    )
    for first, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        whole, piece = groups[int(group[first])], rows[order[first:end]]
        if end <= free:
            yield whole, piece
        else:
            waiting.append(_Waiting(whole, piece))


def _in_order(held: list[_Waiting]) -> bool:
    last = -1
    for one in held:
        time_ns = one.rows.time_ns
        if time_ns[0] < last or np.any(time_ns[1:] < time_ns[:-1]):
            return False
        last = int(time_ns[-1])
    return True
