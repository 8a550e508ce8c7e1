"""The frames of recorded shifts, from what a replay of them found."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from strikewatch.model.bout import Worked
from strikewatch.model.instant import Instant
from strikewatch.model.stretch import Spent
from strikewatch.review.attribution import Attribution

if TYPE_CHECKING:
    import pandas as pd


def from_replay(
    records: Iterable[Mapping[str, Any]],
    stretches: Iterable[Spent],
    bouts: Iterable[Worked],
    end: Instant,
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """EXPOSURE and FAULTS of all of it; an alert that stands is counted up to `end`."""
    made = Attribution(stretches)
    for bout, _, _ in bouts:
        made.bouts(bout.key, bout.start, 1, bout.judged_ns, bout.blows)
    return made.exposure(), made.faults(records, end)
