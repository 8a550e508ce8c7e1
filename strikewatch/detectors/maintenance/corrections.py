"""A short history of people's entries in a detector's state, so that an entry can be corrected later.

The state has an int64 table `kept` [KEPT, columns], oldest entry first, and the number of entries in `count`. Unused
rows are zero, so that equal histories are equal bytes. The first columns are those below; a detector adds its own
after them. What the entries did to a timer is computed from the table, so removing or changing a row gives the timer
as it would be without that entry.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

KEPT: Final = 16
"""Entries of a detector that can still be corrected. Older ones are final."""

KIND: Final = 0
TIME: Final = 1  # when it happened, as entered
AT: Final = 2  # when it took effect; never before TIME
COLUMNS: Final = 3
"""Index of the first column that a detector adds."""
NO_ENTRY: Final = -3
"""Kind of a row that no correction can refer to."""


def with_history(first: np.dtype[Any], columns: int, *fields: tuple[Any, ...]) -> np.dtype[Any]:
    """Return the layout of a state with a history of `columns`: the fields of `first`, `fields`, and the history."""
    history = (
        ("count", "<i8"),
        ("kept", "<i8", (KEPT, columns)),  # entries in the order in which they took effect
        ("not_found", "<i8"),  # corrections of entries no longer kept
    )
    return np.dtype([*((name, first[name]) for name in first.names or ()), *fields, *history])


@part
def find(state: Any, kind: int, time: int) -> int:
    """Return the row of the oldest entry of a kind at a time; -1 if there is none.

    The oldest, because an entry made again after a withdrawal may take effect before it.
    """
    for j in range(state.count):
        if state.kept[j, KIND] == kind and state.kept[j, TIME] == time:
            return j
    return -1


@part
def append(state: Any, kind: int, time: int, at: int) -> int:
    """Append an entry to a history that has room; return its row."""
    j = state.count
    state.count = j + 1
    state.kept[j, KIND] = kind
    state.kept[j, TIME] = time
    state.kept[j, AT] = at
    return j  # type: ignore[no-any-return]


@part
def remove(state: Any, j: int) -> None:
    """Remove row j."""
    state.count -= 1
    for column in range(state.kept.shape[1]):
        for row in range(j, state.count):
            state.kept[row, column] = state.kept[row + 1, column]
        state.kept[state.count, column] = 0


@part
def replace_or_remove(state: Any, j: int, replaces: bool, happened: int) -> bool:
    """Correct row j: give it another time, or remove it; return whether it stays.

    It stays if the correction replaces it by an entry that happened before it took effect. A replacement that happened
    later is to be taken like any late entry.
    """
    if replaces and happened <= state.kept[j, AT]:
        state.kept[j, TIME] = happened
        return True
    remove(state, j)
    return False
