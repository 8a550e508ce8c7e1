"""As-of lookup: which name was in force at an instant, for one hammer (the operator signed on, the tool fitted).

While a batch is processed, an `AsOfLookup` holds every change. Between batches only a record of constant size is kept:
the name in force now, and those in force at the instants that an unfinished fault may still ask for. So the number of
changes between the onset of a fault and the instant at which it becomes known does not matter.
"""

from bisect import bisect_right
from collections.abc import Iterable
from typing import Any

import numpy as np

from strikewatch.core.instant import Instant


def layout(capacity: int, max_name_bytes: int) -> np.dtype[Any]:
    """Return the dtype of a record of up to `capacity` changes, oldest first; an empty name means nobody or nothing."""
    return np.dtype([("n", "<i8"), ("at", "<i8", (capacity,)), ("name", f"S{max_name_bytes}", (capacity,))])


class AsOfLookup:
    """The changes of one hammer in time order, without limit; an empty name means nobody or nothing."""

    def __init__(self, record: Any) -> None:
        n = int(record["n"])
        self.times: list[Instant] = record["at"][:n].tolist()
        self.names: list[str] = [name.decode() for name in record["name"][:n].tolist()]

    def add(self, at: Instant, name: str) -> None:
        """Put a name in force from an instant on; of several at one instant, the last one counts."""
        if self.times and self.times[-1] == at:
            self.names[-1] = name
        else:
            self.times.append(at)
            self.names.append(name)

    def find(self, instant: Instant) -> tuple[str, Instant] | None:
        """Return the name in force at an instant and since when; None where there is none or it is empty."""
        k = bisect_right(self.times, instant) - 1
        return (self.names[k], self.times[k]) if k >= 0 and self.names[k] else None

    def save_to(self, record: Any, needed: Iterable[Instant], keep_after: Instant) -> None:
        """Write to a record the changes in force at the `needed` instants, and all later than `keep_after`.

        The bytes depend on nothing else. Where the record is too small for all, the oldest are dropped.
        """
        kept = {bisect_right(self.times, instant) - 1 for instant in (*needed, keep_after)} - {-1}
        kept.update(range(bisect_right(self.times, keep_after), len(self.times)))
        newest = sorted(kept)[-len(record["at"]) :]
        record["n"] = len(newest)
        for field, values in (("at", self.times), ("name", [name.encode() for name in self.names])):
            record[field] = 0 if field == "at" else b""
            record[field][: len(newest)] = [values[k] for k in newest]


def find(record: Any, instant: Instant) -> tuple[str, Instant] | None:
    """Return the name in force at an instant and since when, from one hammer's record."""
    return AsOfLookup(record).find(instant)


def widen(smaller: Any, dtype: np.dtype[Any]) -> Any:
    """Convert a record with room for fewer changes to `dtype` [1]."""
    record = np.zeros(1, dtype)
    n = len(smaller["at"])
    record["n"] = smaller["n"]
    record["at"][0, :n] = smaller["at"]
    record["name"][0, :n] = smaller["name"]
    return record
