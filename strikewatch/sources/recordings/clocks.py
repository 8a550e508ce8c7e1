"""Find the rows of a recording that were stamped by a wrong clock, and when each hammer was recorded.

A recording is sorted by time before it is replayed, so out-of-order rows are not lost. Rows with a wrong clock would be
sorted to the wrong place. There are two cases, and each costs only its own rows:

- a burst of at most 60 s of rows that jumps more than 10 min away from all rows before it, after which the rows
  continue from the old time (within 10 min). If more than one row in a hundred steps back that far, the table is not
  sorted by time, and its order says nothing about clocks;
- rows more than 400 days away from most of the hammer's rows, with none in between: a clock that was never set.

A smaller error that lasts longer cannot be distinguished from out-of-order rows.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant

CLOCK_JUMP_NS: Final = 600 * SECOND
BURST_NS: Final = 60 * SECOND
MAX_GAP_NS: Final = 400 * 86_400 * SECOND
"""No recording has a gap as long as this: it lies between rows of a clock that was set and one that was not."""
_BLOCK_ROWS: Final = 8192
"""The steps between so many rows stay in the processor's cache."""

Interval = tuple[Instant, Instant]


@dataclass(slots=True)
class Run:
    """Consecutive rows without a step of more than CLOCK_JUMP_NS, in order of arrival."""

    first_index: int
    n: int
    first: Instant
    last: Instant
    low: Instant
    high: Instant


def step_range(time_ns: Ints) -> tuple[int, int]:
    """Return the smallest and the largest step between instants [n], ns; sys.maxsize and 0 with fewer than two."""
    smallest, largest = sys.maxsize, 0
    steps = np.empty(min(_BLOCK_ROWS, len(time_ns)), np.int64)
    for begin in range(0, len(time_ns) - 1, _BLOCK_ROWS):
        after = time_ns[begin + 1 : begin + 1 + _BLOCK_ROWS]
        block = np.subtract(after, time_ns[begin : begin + len(after)], out=steps[: len(after)])
        smallest, largest = min(smallest, int(block.min())), max(largest, int(block.max()))
    return smallest, largest


def runs_of(time_ns: Ints) -> list[Run]:
    """Divide instants [n] ns in order of arrival into runs."""
    if not len(time_ns):
        return []
    smallest, largest = step_range(time_ns)
    if smallest >= -CLOCK_JUMP_NS and largest <= CLOCK_JUMP_NS:
        ends = int(time_ns[0]), int(time_ns[-1])
        extremes = ends if smallest >= 0 else (int(time_ns.min()), int(time_ns.max()))
        return [Run(0, len(time_ns), *ends, *extremes)]
    cuts = np.flatnonzero(np.abs(np.diff(time_ns)) > CLOCK_JUMP_NS) + 1
    starts = np.r_[0, cuts]
    ends_of = np.r_[cuts, len(time_ns)]
    lows, highs = np.minimum.reduceat(time_ns, starts), np.maximum.reduceat(time_ns, starts)
    columns = starts, ends_of - starts, time_ns[starts], time_ns[ends_of - 1], lows, highs
    return [Run(*values) for values in zip(*(column.tolist() for column in columns), strict=True)]


@dataclass(slots=True)
class Arrivals:
    """The instants of one hammer in one recording, in the order of the file."""

    n: int = 0
    _runs: list[Run] = field(default_factory=list)

    def add(self, runs: Sequence[Run]) -> None:
        """Add the next instants, as `runs_of` returns them."""
        n = self.n
        for run in runs:
            last = self._runs[-1] if self._runs else None
            if run.first_index == 0 and last is not None and abs(run.first - last.last) <= CLOCK_JUMP_NS:
                last.n += run.n
                last.last, last.low, last.high = run.last, min(last.low, run.low), max(last.high, run.high)
            else:
                self._runs.append(replace(run, first_index=n + run.first_index))
            self.n += run.n

    def classify(self) -> tuple[list[tuple[int, int]], list[Interval]]:
        """Return ranges [first, end) of row numbers with a wrong clock, and the intervals [ns] with other rows.

        Intervals are in time order, and more than CLOCK_JUMP_NS apart.
        """
        kept, wrong = self._without_bursts()
        kept, unset = _split_by_era(kept)
        ranges = sorted((run.first_index, run.first_index + run.n) for run in (*wrong, *unset))
        return ranges, _joined(kept)

    def _without_bursts(self) -> tuple[list[Run], list[Run]]:
        runs = self._runs
        back = sum(after.first < before.last for before, after in pairwise(runs))
        if len(runs) < 3 or back > max(1, self.n // 100):
            return runs, []
        kept, wrong = [runs[0]], []
        low, high = runs[0].low, runs[0].high
        for k, run in enumerate(runs[1:], 1):
            outside = run.low > high + CLOCK_JUMP_NS or run.high < low - CLOCK_JUMP_NS
            burst = outside and run.high - run.low <= BURST_NS
            if burst and k + 1 < len(runs) and abs(runs[k + 1].first - kept[-1].last) <= CLOCK_JUMP_NS:
                wrong.append(run)
                continue
            kept.append(run)
            low, high = min(low, run.low), max(high, run.high)
        return kept, wrong


def _split_by_era(runs: list[Run]) -> tuple[list[Run], list[Run]]:
    """Split runs at gaps of more than MAX_GAP_NS; return the runs of the era with most rows, and the others."""
    eras: list[list[Run]] = []
    high = 0
    for run in sorted(runs, key=lambda run: run.low):
        if not eras or run.low - high > MAX_GAP_NS:
            eras.append([])
            high = run.high
        eras[-1].append(run)
        high = max(high, run.high)
    if len(eras) < 2:
        return runs, []
    main = max(eras, key=lambda era: sum(run.n for run in era))
    return main, [run for era in eras if era is not main for run in era]


def _joined(runs: list[Run]) -> list[Interval]:
    found: list[Interval] = []
    for low, high in sorted((run.low, run.high) for run in runs):
        if found and low <= found[-1][1] + CLOCK_JUMP_NS:
            found[-1] = found[-1][0], max(found[-1][1], high)
        else:
            found.append((low, high))
    return found
