"""The last hours of one hammer, to be drawn as a strip of time: bouts, the oil by minutes, and where it was heard."""

import math
from collections import deque
from collections.abc import Iterable
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.kernels import NEVER

MINUTE: Final = 60 * SECOND


class Strip:
    """Memory is bounded: one cell a minute, and the bouts of that time. All instants are event time, ns."""

    def __init__(self, hours: float) -> None:
        self.minutes: Final = int(hours * 60)
        self._bouts: deque[tuple[Instant, Instant]] = deque(maxlen=self.minutes * 12)
        self._under_way: tuple[Instant, Instant] | None = None
        self._minute = np.full(self.minutes, -1, np.int64)  # which minute a cell holds, or -1
        self._oil_c = np.full(self.minutes, np.nan)
        self.last_oil = NEVER, math.nan
        """When the oil was sampled last, and what it was, degC."""

    def take(self, rows: Rows) -> None:
        """Rows in event time; older ones than the strip holds pass by."""
        if not len(rows):
            return
        oil = rows.columns.get("oil_c")
        if oil is not None and len(known := np.flatnonzero(~np.isnan(oil))):
            self.last_oil = max(self.last_oil, (int(rows.time_ns[known[-1]]), float(oil[known[-1]])))
        minute = rows.time_ns // MINUTE
        begins = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
        peaks = np.fmax.reduceat(oil, begins) if oil is not None else np.full(len(begins), np.nan)
        for at, peak in zip(minute[begins].tolist(), peaks.tolist(), strict=True):
            cell = at % self.minutes
            if self._minute[cell] < at:
                self._minute[cell] = at
                self._oil_c[cell] = peak
            elif self._minute[cell] == at:
                self._oil_c[cell] = np.fmax(self._oil_c[cell], peak)

    def fired(
        self, bouts: Iterable[tuple[Instant, Instant]], under_way: tuple[Instant, Instant] | None
    ) -> None:
        """Bouts that are over, and the one that is not."""
        self._bouts.extend(bouts)
        self._under_way = under_way

    def first(self, begin: Instant) -> Instant | None:
        """The first minute from `begin` on in which the hammer was heard."""
        heard = self._minute[self._minute * MINUTE >= begin]
        return int(heard.min()) * MINUTE if len(heard) else None

    def holds(self, begin: Instant, now: Instant) -> bool:
        """Whether all that was heard from `begin` to now has room in it."""
        return now - begin < (self.minutes - 1) * MINUTE

    def bouts(self, begin: Instant, end: Instant) -> list[tuple[Instant, Instant]]:
        """Those that reach into [begin, end), in order, cut to it."""
        every = [*self._bouts, *([self._under_way] if self._under_way else [])]
        cut = ((max(start, begin), min(stop, end)) for start, stop in every)
        return sorted((start, stop) for start, stop in cut if start < stop)

    def oil(self, begin: Instant, end: Instant) -> tuple[Ints, Floats]:
        """(start of the minute [n], the hottest in it, degC [n]) of every minute heard in [begin, end), in order;
        NaN where the oil was not sampled."""
        wanted = np.flatnonzero(
            (self._minute >= begin // MINUTE) & (self._minute < -(-end // MINUTE)) & (self._minute >= 0)
        )
        order = wanted[np.argsort(self._minute[wanted])]
        return self._minute[order] * MINUTE, self._oil_c[order]
