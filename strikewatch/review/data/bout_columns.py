"""Bouts by the million, in columns: what the steps of a replay noted of them, gathered by hammer."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from strikewatch.core.batch import Ints, Key
from strikewatch.engine.step_result import StepResult

Columns = tuple[Any, ...]
"""Starts [n] ns, ends [n] ns, and what is measured of each, [n] a name; in the order of their starts."""


def gathered(outcomes: Iterable[StepResult], *names: str) -> dict[Key, Columns]:
    """Each hammer's bouts; the names are those of what is measured of a `Bout`."""
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
