"""The frames of recorded shifts, from what a replay of them found."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from strikewatch.model.instant import Instant
from strikewatch.model.stretch import Spent
from strikewatch.pipeline import Outcome
from strikewatch.review.attribution import Attribution

if TYPE_CHECKING:
    import pandas as pd


def from_replay(
    records: Iterable[Mapping[str, Any]],
    stretches: Iterable[Spent],
    outcomes: Iterable[Outcome],
    end: Instant,
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """EXPOSURE and FAULTS of all of it; an alert that stands is counted up to `end`.

    A year has a million bouts: they are added up as the outcomes of steps hold them, not one by one.
    """
    made = Attribution(stretches)
    for outcome in outcomes:
        for key, starts, _, measured in outcome.bouts_in_columns("judged_ns", "blows"):
            made.many_bouts(key, starts, *measured)
    return made.exposure(), made.faults(records, end)
