"""Which rows of a recording bear a wrong clock, and when a hammer was recorded.

A recording is put in the order of time before it is replayed, so a row that comes late is no loss. Rows of a wrong
clock would be put where they do not belong. There are two kinds, and each costs only its own rows:

- a burst of at most 60 s of rows that jumps more than 10 min out of all that came before, after which the rows go on
  from where they were (within 10 min). Where more than one row in a hundred steps back so far, the table is in no
  order of time, and its order shows nothing of clocks;
- rows more than 400 days apart from most of the hammer's rows, with nothing in between: a clock that was never set.

A clock that is wrong by less for longer cannot be told from rows that came late.
"""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant

FAR_NS: Final = 600 * SECOND
BURST_NS: Final = 60 * SECOND
AGE_NS: Final = 400 * 86_400 * SECOND
"""A recording holds no pause as long as this: a longer one is between a clock that was set and one that was not."""

Interval = tuple[Instant, Instant]


@dataclass(slots=True)
class _Run:
    """Rows without a step of more than FAR_NS, in the order of their arrival."""

    first_index: int
    n: int
    first: Instant
    last: Instant
    low: Instant
    high: Instant


@dataclass(slots=True)
class Arrivals:
    """The instants of one hammer in one recording, in the order in which they stand there."""

    n: int = 0
    _runs: list[_Run] = field(default_factory=list)

    def add(self, time_ns: Ints) -> None:
        """Take the next instants."""
        if not len(time_ns):
            return
        cuts = np.flatnonzero(np.abs(np.diff(time_ns)) > FAR_NS) + 1
        starts = np.r_[0, cuts]
        ends = np.r_[cuts, len(time_ns)]
        lows, highs = np.minimum.reduceat(time_ns, starts), np.maximum.reduceat(time_ns, starts)
        found = zip(
            *(one.tolist() for one in (starts, ends, time_ns[starts], time_ns[ends - 1], lows, highs)),
            strict=True,
        )
        for start, end, first, last, low, high in found:
            run = self._runs[-1] if self._runs else None
            if start == 0 and run is not None and abs(first - run.last) <= FAR_NS:
                run.n += end
                run.last, run.low, run.high = last, min(run.low, low), max(run.high, high)
            else:
                self._runs.append(_Run(self.n + start, end - start, first, last, low, high))
        self.n += len(time_ns)

    def judged(self) -> tuple[list[tuple[int, int]], list[Interval]]:
        """Rows [first, end) of wrong clocks, by their number; and the intervals with other rows.

        Intervals are in order, and more than FAR_NS apart.
        """
        kept, wrong = self._without_bursts()
        kept, unset = _of_one_age(kept)
        ranges = sorted((run.first_index, run.first_index + run.n) for run in (*wrong, *unset))
        return ranges, _joined(kept)

    def _without_bursts(self) -> tuple[list[_Run], list[_Run]]:
        runs = self._runs
        back = sum(after.first < before.last for before, after in pairwise(runs))
        if len(runs) < 3 or back > max(1, self.n // 100):
            return runs, []
        kept, wrong = [runs[0]], []
        low, high = runs[0].low, runs[0].high
        for k, run in enumerate(runs[1:], 1):
            outside = run.low > high + FAR_NS or run.high < low - FAR_NS
            burst = outside and run.high - run.low <= BURST_NS
            if burst and k + 1 < len(runs) and abs(runs[k + 1].first - kept[-1].last) <= FAR_NS:
                wrong.append(run)
                continue
            kept.append(run)
            low, high = min(low, run.low), max(high, run.high)
        return kept, wrong


def _of_one_age(runs: list[_Run]) -> tuple[list[_Run], list[_Run]]:
    """The runs of the age that most rows are of, and the others."""
    ages: list[list[_Run]] = []
    high = 0
    for run in sorted(runs, key=lambda one: one.low):
        if not ages or run.low - high > AGE_NS:
            ages.append([])
            high = run.high
        ages[-1].append(run)
        high = max(high, run.high)
    if len(ages) < 2:
        return runs, []
    main = max(ages, key=lambda age: sum(run.n for run in age))
    return main, [run for age in ages if age is not main for run in age]


def _joined(runs: list[_Run]) -> list[Interval]:
    found: list[Interval] = []
    for low, high in sorted((run.low, run.high) for run in runs):
        if found and low <= found[-1][1] + FAR_NS:
            found[-1] = found[-1][0], max(found[-1][1], high)
        else:
            found.append((low, high))
    return found
