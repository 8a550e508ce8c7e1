"""Names in force from an instant on, of one hammer: who is signed on, which tool is fitted.

While a batch is worked through, its `History` holds every change. What is kept from one batch to the next is a record
of constant size: the name in force now, and those in force at the instants that something under way may still ask for.
So it does not matter how many changes lie between the onset of a fault and the instant at which it becomes known.
"""

from bisect import bisect_right
from collections.abc import Iterable
from typing import Any

import numpy as np

from strikewatch.core.instant import Instant


def layout(remembered: int, letters: int) -> np.dtype[Any]:
    """The dtype of a record that holds so many names, oldest first; an empty name is nobody, or nothing."""
    return np.dtype([("n", "<i8"), ("at", "<i8", (remembered,)), ("name", f"S{letters}", (remembered,))])


class History:
    """The changes of one hammer in the order of time, as many as there are; an empty name is nobody, or nothing."""

    def __init__(self, record: Any) -> None:
        n = int(record["n"])
        self.since: list[Instant] = record["at"][:n].tolist()
        self.names: list[str] = [name.decode() for name in record["name"][:n].tolist()]

    def note(self, at: Instant, name: str) -> None:
        """From this instant on it is this one; of several at one instant, the last."""
        if self.since and self.since[-1] == at:
            self.names[-1] = name
        else:
            self.since.append(at)
            self.names.append(name)

    def at(self, instant: Instant) -> tuple[str, Instant] | None:
        """The name in force at an instant, and since when; None where there is none or it is empty."""
        k = bisect_right(self.since, instant) - 1
        return (self.names[k], self.since[k]) if k >= 0 and self.names[k] else None

    def keep(self, record: Any, asked: Iterable[Instant], after: Instant) -> None:
        """Write down the changes in force at these instants, and all later than `after`.

        The bytes depend on nothing else. Where there is no room for all, the oldest are dropped.
        """
        kept = {bisect_right(self.since, instant) - 1 for instant in (*asked, after)} - {-1}
        kept.update(range(bisect_right(self.since, after), len(self.since)))
        newest = sorted(kept)[-len(record["at"]) :]
        record["n"] = len(newest)
        for field, values in (("at", self.since), ("name", [name.encode() for name in self.names])):
            record[field] = 0 if field == "at" else b""
            record[field][: len(newest)] = [values[k] for k in newest]


def at(record: Any, instant: Instant) -> tuple[str, Instant] | None:
    """The name in force at an instant, by one hammer's record."""
    return History(record).at(instant)


def widened(older: Any, dtype: np.dtype[Any]) -> Any:
    """A record that had room for fewer changes, as one of this dtype [1]."""
    record = np.zeros(1, dtype)
    n = len(older["at"])
    record["n"] = older["n"]
    record["at"][0, :n] = older["at"]
    record["name"][0, :n] = older["name"]
    return record
