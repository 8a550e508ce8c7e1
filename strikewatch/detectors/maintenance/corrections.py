"""A short history of what people entered, kept in a detector's state, so that an entry can be corrected later.

A history is an int64 table [KEPT, columns], oldest entry first, with a count beside it; unused rows are zero, so that
equal histories are equal bytes. Its first columns are those below; a detector adds its own after them. What an entry
did to a clock is computed from the table, so removing or changing a row gives the clock that it would be without.
"""

from typing import Any, Final

from strikewatch.detectors.kernels import (
    part,
)

KEPT: Final = 16
"""Entries of a detector that can still be corrected. Older ones count for good."""

KIND: Final = 0
TIME: Final = 1  # when it happened, as entered
AT: Final = 2  # when it took effect; never before TIME
COLUMNS: Final = 3
"""Number of the first column of a detector's own."""


@part
def find(table: Any, count: int, kind: int, time: int) -> int:
    """The number of the oldest entry of a kind at a time; -1 where there is none.

    What is entered anew after a withdrawal may take effect before it: it is the newer one.
    """
    for j in range(count):
        if table[j, KIND] == kind and table[j, TIME] == time:
            return j
    return -1


@part
def remove(table: Any, count: int, j: int) -> int:
    """Take row j out; the new count."""
    columns = table.shape[1]
    for row in range(j, count - 1):
        for column in range(columns):
            table[row, column] = table[row + 1, column]
    for column in range(columns):
        table[count - 1, column] = 0
    return count - 1
