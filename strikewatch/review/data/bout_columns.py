"""Collect the bouts of a replay in columns by hammer, fast enough for millions of them."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from strikewatch.core.batch import Ints, Key
from strikewatch.engine.step_result import StepResult

Columns = tuple[Any, ...]
"""Starts [n] ns, ends [n] ns, and one array [n] for each measured field; in order of start."""


def bouts_by_hammer(outcomes: Iterable[StepResult], *names: str) -> dict[Key, Columns]:
    """Return each hammer's bouts; `names` are the measured fields of `Bout` to include."""
    pieces: dict[Key, list[Columns]] = {}
    for outcome in outcomes:
        for key, starts, ends, measured in outcome.bout_columns(*names):
            pieces.setdefault(key, []).append((starts, ends, *measured))
    return {
        key: _in_order([np.concatenate(column) for column in zip(*some, strict=True)])
        for key, some in pieces.items()
    }


def _in_order(columns: list[Any]) -> Columns:
    order: Ints = np.argsort(columns[0], kind="stable")
    return tuple(column[order] for column in columns)
