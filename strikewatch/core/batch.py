"""Rows and batches: columns of numpy arrays in event time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Key = tuple[str, str]
"""(site, hammer): two sites may use the same name for a hammer."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Samples of one hammer: `time_ns` int64 [n], and per channel float64 [n] with NaN where not sampled.

    Decoded rows are in arrival order; reordered rows are strictly increasing in time.
    """

    time_ns: Ints
    columns: Mapping[str, Floats]

    def __len__(self) -> int:
        return len(self.time_ns)

    def __getitem__(self, part: slice | npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> "Rows":
        return Rows(self.time_ns[part], {name: column[part] for name, column in self.columns.items()})

    @staticmethod
    def join(parts: Sequence["Rows"]) -> "Rows":
        """Concatenate rows; a channel that a part lacks is NaN there."""
        if len(parts) == 1:
            return parts[0]
        names = dict.fromkeys(name for part in parts for name in part.columns)
        columns = {
            name: np.concatenate(
                [part.columns[name] if name in part.columns else np.full(len(part), np.nan) for part in parts]
            )
            for name in names
        }
        return Rows(np.concatenate([part.time_ns for part in parts]), columns)


NO_ROWS = Rows(np.empty(0, np.int64), {})


@dataclass(frozen=True, slots=True)
class Portion:
    """One hammer's portion of a batch: its new rows and events, and the watermark up to which both are complete.

    No row at or before the watermark will follow. A portion without rows but with a later watermark is a tick: time
    passes although nothing arrives.
    """

    key: Key
    rows: Rows
    watermark: Instant
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Batch:
    """The input of one step: portions of different hammers."""

    portions: Sequence[Portion] = field(default_factory=tuple)
