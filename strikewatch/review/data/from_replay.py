"""The frames of recorded shifts, from what a replay of them found."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.step_result import StepResult
from strikewatch.review.data.attribution import Attribution
from strikewatch.review.data.bout_columns import gathered

if TYPE_CHECKING:
    import pandas as pd


def from_replay(
    records: Iterable[Mapping[str, Any]],
    stretches: Iterable[AttributedStretch],
    outcomes: Iterable[StepResult],
    end: Instant,
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """EXPOSURE and FAULTS of all of it; an alert that stands is counted up to `end`."""
    made = Attribution(stretches)
    measured = "judged_ns", "blank_ns", "blows", "blank_blows"
    for key, (starts, _, *columns) in gathered(outcomes, *measured).items():
        made.many_bouts(key, starts, *columns)
    return made.exposure(), made.faults(records, end)
