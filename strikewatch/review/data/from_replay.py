"""Build the frames of recorded shifts from the results of a replay."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from strikewatch.core.batch import Ints, Key
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.step_result import StepResult
from strikewatch.review.data.attribution import Attribution

if TYPE_CHECKING:
    import pandas as pd

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


def from_replay(
    records: Iterable[Mapping[str, Any]],
    stretches: Iterable[AttributedStretch],
    outcomes: Iterable[StepResult],
    end: Instant,
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """Return EXPOSURE and FAULTS of a replay; an active alert is counted up to `end`."""
    attribution = Attribution(stretches)
    measured = "judged_ns", "blank_ns", "blows", "blank_blows"
    for key, (starts, _, *columns) in bouts_by_hammer(outcomes, *measured).items():
        attribution.add_bout_columns(key, starts, *columns)
    return attribution.exposure(), attribution.faults(records, end)
