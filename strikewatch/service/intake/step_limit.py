"""Bound what one hammer's rows may cost in a step: a message with weeks of rows is processed in several steps.

Alerts need time: no hammer raises more than a few in `QUANTUM_NS`. So the time that rows span bounds the alerts of a
step, its memory, and how long other hammers wait for the next step.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND

IntArray = npt.NDArray[np.int64]

QUANTUM_NS: Final = 5 * SECOND
"""A longer time between two rows counts as this much."""
LIMIT_NS: Final = 500 * QUANTUM_NS
"""Time of rows that a step takes of one hammer: 42 min with a row a second, 500 rows with one a minute."""


class StepLimit:
    """The time of rows that each hammer has used in this step."""

    def __init__(self) -> None:
        self._used: dict[Key, int] = {}
        self._unmeasured: dict[Key, list[Rows]] = {}  # these count as if far apart, until that is too much

    def next_step(self) -> None:
        """Begin a step: each hammer has all its room again."""
        self._used.clear()
        self._unmeasured.clear()

    def take_room(self, key: Key, rows: Rows) -> int:
        """Take the room for as many of the rows as fit, of a step's first at least one; return how many."""
        used = self._used.get(key, 0) + QUANTUM_NS * len(rows)
        if used <= LIMIT_NS:
            self._used[key] = used
            self._unmeasured.setdefault(key, []).append(rows)
            return len(rows)
        used = self._measure(key)
        costs = used + _costs(rows)
        fitting = max(int(np.searchsorted(costs, LIMIT_NS, side="right")), 0 if used else 1)
        if fitting:
            self._used[key] = int(costs[fitting - 1])
        return fitting

    def _measure(self, key: Key) -> int:
        """Return the time of rows that a hammer has used, ns."""
        used = self._used.get(key, 0)
        for rows in self._unmeasured.pop(key, ()):
            if len(rows):
                used += int(_costs(rows)[-1]) - QUANTUM_NS * len(rows)
        self._used[key] = used
        return used


def _costs(rows: Rows) -> IntArray:
    """Return the time of rows that each row and those before it use, ns; at least one row is given."""
    costs = np.full(len(rows), QUANTUM_NS)
    np.clip(np.diff(rows.time_ns), 0, QUANTUM_NS, out=costs[1:])
    return np.cumsum(costs)
