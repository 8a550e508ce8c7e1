"""What goes wrong between sensor and recording: each fault changes arrivals and adds a label of it."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Ints, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.labels import Label


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Rows of one hammer in order of arrival; when each came (`came_ns` [n]); labels of what went wrong."""

    hammer: str
    rows: Rows
    came_ns: Ints
    labels: tuple[Label, ...] = ()

    @staticmethod
    def prompt(hammer: str, rows: Rows) -> "Arrivals":
        """All as it should be: each row comes when it was taken."""
        return Arrivals(hammer, rows, rows.time_ns.copy())

    def _within(self, start_ns: Instant, end_ns: Instant) -> npt.NDArray[np.bool_]:
        return (self.came_ns >= start_ns) & (self.came_ns < end_ns)

    def _told(self, truth: str, start_ns: Instant, end_ns: Instant, **fields: Any) -> "Arrivals":
        return replace(self, labels=(*self.labels, Label(truth, self.hammer, start_ns, end_ns, fields)))

    def _ordered(self) -> "Arrivals":
        order = np.argsort(self.came_ns, kind="stable")
        return replace(self, rows=self.rows[order], came_ns=self.came_ns[order])

    def dropout(self, start_ns: Instant, end_ns: Instant, cause: str) -> "Arrivals":
        """Samples of the span are lost for good."""
        kept = ~self._within(start_ns, end_ns)
        left = replace(self, rows=self.rows[kept], came_ns=self.came_ns[kept])
        return left._told("signal_lost", start_ns, end_ns, cause=cause)

    def backlog(self, start_ns: Instant, end_ns: Instant, drain_s: float) -> "Arrivals":
        """The gateway was offline over the span, then sends what it kept, over `drain_s`, between live rows.

        With `drain_s` 0 all of it comes at once, before the next live row.
        """
        kept = self._within(start_ns, end_ns)
        came_ns = self.came_ns.copy()
        share = np.linspace(0.0, 1.0, int(np.count_nonzero(kept)))
        came_ns[kept] = end_ns + (share * drain_s * SECOND).astype(np.int64)
        if drain_s == 0.0:
            came_ns[kept] -= 1
        return replace(self, came_ns=came_ns)._ordered()._told("backlog", start_ns, end_ns, drain_s=drain_s)

    def duplicates(self, start_ns: Instant, end_ns: Instant, after_s: float) -> "Arrivals":
        """Every row of the span comes a second time, `after_s` later."""
        twice = self._within(start_ns, end_ns)
        again = replace(
            self,
            rows=Rows.join([self.rows, self.rows[twice]]),
            came_ns=np.concatenate([self.came_ns, self.came_ns[twice] + round(after_s * SECOND)]),
        )
        rows = int(np.count_nonzero(twice))
        return again._ordered()._told("duplicates", start_ns, end_ns, rows=rows)

    def wrong_clock(self, start_ns: Instant, end_ns: Instant, by_s: float) -> "Arrivals":
        """Rows of the span are stamped `by_s` off."""
        wrong = self._within(start_ns, end_ns)
        time_ns = self.rows.time_ns + np.where(wrong, round(by_s * SECOND), 0)
        return replace(self, rows=Rows(time_ns, self.rows.columns))._told(
            "wrong_clock", start_ns, end_ns, by_s=by_s
        )

    def out_of_range(self, start_ns: Instant, end_ns: Instant, channel: str, reads: float) -> "Arrivals":
        """The channel reads `reads` over the span wherever it is sampled."""
        column = self.rows.columns[channel]
        broken = np.where(self._within(start_ns, end_ns) & ~np.isnan(column), reads, column)
        rows = Rows(self.rows.time_ns, {**self.rows.columns, channel: broken})
        return replace(self, rows=rows)._told("out_of_range", start_ns, end_ns, channel=channel)
