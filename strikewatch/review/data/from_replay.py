"""Build the frames of recorded shifts from the results of a replay."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.step_result import StepResult
from strikewatch.review.data.attribution import Attribution
from strikewatch.review.data.bout_columns import bouts_by_hammer

if TYPE_CHECKING:
    import pandas as pd


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
