"""Simulate faults between sensor and recording: each changes the arrivals and adds a label."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Ints, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.labels import Label


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Rows of one hammer in order of arrival; time of arrival (`arrived_ns` [n]); labels of the faults."""

    hammer: str
    rows: Rows
    arrived_ns: Ints
    labels: tuple[Label, ...] = ()

    @staticmethod
    def undelayed(hammer: str, rows: Rows) -> "Arrivals":
        """Return arrivals without faults: each row arrives when it was sampled."""
        return Arrivals(hammer, rows, rows.time_ns.copy())

    def _within(self, start_ns: Instant, end_ns: Instant) -> npt.NDArray[np.bool_]:
        return (self.arrived_ns >= start_ns) & (self.arrived_ns < end_ns)

    def _with_label(self, truth: str, start_ns: Instant, end_ns: Instant, **fields: Any) -> "Arrivals":
        return replace(self, labels=(*self.labels, Label(truth, self.hammer, start_ns, end_ns, fields)))

    def _ordered(self) -> "Arrivals":
        order = np.argsort(self.arrived_ns, kind="stable")
        return replace(self, rows=self.rows[order], arrived_ns=self.arrived_ns[order])

    def dropout(self, start_ns: Instant, end_ns: Instant, cause: str) -> "Arrivals":
        """Drop the samples of the interval."""
        kept = ~self._within(start_ns, end_ns)
        left = replace(self, rows=self.rows[kept], arrived_ns=self.arrived_ns[kept])
        return left._with_label("signal_lost", start_ns, end_ns, cause=cause)

    def backlog(self, start_ns: Instant, end_ns: Instant, drain_s: float) -> "Arrivals":
        """The gateway is offline during the interval, then sends its backlog over `drain_s`, between live rows.

        With `drain_s` 0 it arrives at once, before the next live row.
        """
        kept = self._within(start_ns, end_ns)
        arrived_ns = self.arrived_ns.copy()
        share = np.linspace(0.0, 1.0, int(np.count_nonzero(kept)))
        arrived_ns[kept] = end_ns + (share * drain_s * SECOND).astype(np.int64)
        if drain_s == 0.0:
            arrived_ns[kept] -= 1
        return (
            replace(self, arrived_ns=arrived_ns)
            ._ordered()
            ._with_label("backlog", start_ns, end_ns, drain_s=drain_s)
        )

    def duplicates(self, start_ns: Instant, end_ns: Instant, after_s: float) -> "Arrivals":
        """Every row of the interval arrives a second time, `after_s` later."""
        twice = self._within(start_ns, end_ns)
        again = replace(
            self,
            rows=Rows.join([self.rows, self.rows[twice]]),
            arrived_ns=np.concatenate([self.arrived_ns, self.arrived_ns[twice] + round(after_s * SECOND)]),
        )
        rows = int(np.count_nonzero(twice))
        return again._ordered()._with_label("duplicates", start_ns, end_ns, rows=rows)

    def wrong_clock(self, start_ns: Instant, end_ns: Instant, by_s: float) -> "Arrivals":
        """The time stamps of the interval are off by `by_s`."""
        wrong = self._within(start_ns, end_ns)
        time_ns = self.rows.time_ns + np.where(wrong, round(by_s * SECOND), 0)
        return replace(self, rows=Rows(time_ns, self.rows.columns))._with_label(
            "wrong_clock", start_ns, end_ns, by_s=by_s
        )

    def out_of_range(self, start_ns: Instant, end_ns: Instant, channel: str, reads: float) -> "Arrivals":
        """The channel reads `reads` wherever it is sampled in the interval."""
        column = self.rows.columns[channel]
        broken = np.where(self._within(start_ns, end_ns) & ~np.isnan(column), reads, column)
        rows = Rows(self.rows.time_ns, {**self.rows.columns, channel: broken})
        return replace(self, rows=rows)._with_label("out_of_range", start_ns, end_ns, channel=channel)
