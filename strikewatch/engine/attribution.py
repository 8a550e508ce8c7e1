"""Attribution: which operator was on duty, and which tool was fitted, at an instant.

The last sign-on at or before the instant counts, until a sign-off or until 14 h have passed. With nobody signed on the
answer is nobody, never the previous operator. A fault found late is attributed to the operator at its onset.

More than `MAX_BURST_CHANGES` changes within `BURST_WINDOW` (0.6 s) come from a faulty card reader and not from people.
Nobody is then known to be signed on from there until the next change after the burst.

While a batch is processed, a `Timeline` holds every change. Between batches only a record of constant size is kept: the
name in force now, and those in force at the instants that an unfinished fault may still ask for. So the number of
changes between the onset of a fault and the instant at which it becomes known does not matter.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.blank_firing.state import LEAVING

SIGN_ON_EXPIRES_AFTER: Final = 14 * 3600 * SECOND
"""No shift is longer, so a forgotten sign-off does not attribute the next day to the same operator."""
BURST_WINDOW: Final = LEAVING
"""The onset of blank firing becomes known at most this much later, so all changes of that time are kept."""
MAX_BURST_CHANGES: Final = 8


def _layout(capacity: int, max_name_bytes: int) -> np.dtype[Any]:
    """Return the dtype of a record of up to `capacity` changes, oldest first; an empty name means nobody or nothing."""
    return np.dtype([("n", "<i8"), ("at", "<i8", (capacity,)), ("name", f"S{max_name_bytes}", (capacity,))])


class StatePart(NamedTuple):
    """A part of a hammer's saved state; renaming it would lose it. `older`: layouts that can still be read."""

    name: str
    version: int
    dtype: np.dtype[Any]
    older: Mapping[str, np.dtype[Any]]

    @property
    def layouts(self) -> dict[str, np.dtype[Any]]:
        """All readable layouts, by part/version:size."""
        return {f"{self.name}/{self.version}:{self.dtype.itemsize}": self.dtype, **self.older}


OPERATORS: Final = StatePart("crew", 2, _layout(24, 64), {"crew/1:1160": _layout(16, 64)})
TOOLS: Final = StatePart("tool", 2, _layout(16, 32), {"tool/1:328": _layout(8, 32)})


def widen(smaller: Any, dtype: np.dtype[Any]) -> Any:
    """Convert a record with room for fewer changes to `dtype` [1]."""
    record = np.zeros(1, dtype)
    n = len(smaller["at"])
    record["n"] = smaller["n"]
    record["at"][0, :n] = smaller["at"]
    record["name"][0, :n] = smaller["name"]
    return record


class Timeline:
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


class Attribution:
    """The operators and tools of one hammer: those in its record of `STATE`, and every change applied since."""

    def __init__(self, state: Any) -> None:
        self._operators = Timeline(state[OPERATORS.name])
        self._tools = Timeline(state[TOOLS.name])

    def apply(self, events: Iterable[Event]) -> None:
        """Apply events in the order in which they take effect."""
        for event in events:
            if event.kind in ("sign_on", "sign_off"):
                self._sign(event.effective, event.fields["operator"] if event.kind == "sign_on" else "")
            elif event.kind == "tool_change":
                self._tools.add(event.effective, event.fields["tool"])

    def on_duty(self, instant: Instant) -> str | None:
        """Return the operator signed on at an instant, or None."""
        return _unless_expired(self._operators.find(instant), instant)

    def tool_at(self, instant: Instant) -> str | None:
        """Return the tool fitted at an instant, or None."""
        found = self._tools.find(instant)
        return found[0] if found else None

    def at_each(self, instants: Ints) -> tuple[list[str | None], list[str | None]]:
        """Return the operators and the tools at instants [n], as `on_duty` and `tool_at` return them."""
        nothing: list[str | None] = [None] * len(instants)
        operators, tools = nothing, nothing
        if self._operators.times:
            operators = [self.on_duty(instant) for instant in instants.tolist()]
        if self._tools.times:
            tools = [self.tool_at(instant) for instant in instants.tolist()]
        return operators, tools

    def save_to(
        self, state: Any, onsets: Iterable[Instant], starts: Iterable[Instant], watermark: Instant
    ) -> None:
        """Write to a record of `STATE` what later steps may ask for.

        That is the operator at each of `onsets` (faults under way), the operator and the tool at each of `starts`
        (bouts and stretches under way), and everything from the watermark on.
        """
        starts = [instant for instant in starts if instant <= watermark]
        onsets = [instant for instant in onsets if instant <= watermark]
        needed = [*onsets, *starts, watermark]
        self._operators.save_to(state[OPERATORS.name], needed, watermark - BURST_WINDOW)
        self._tools.save_to(state[TOOLS.name], starts, watermark)

    def _sign(self, at: Instant, operator: str) -> None:
        """Add a sign-on, or a sign-off with an empty name."""
        operators = self._operators
        recent = sum(1 for time in operators.times[-MAX_BURST_CHANGES - 1 :] if at - BURST_WINDOW < time < at)
        if recent < MAX_BURST_CHANGES:
            operators.add(at, operator)
        elif operators.names[-1]:
            operators.add(at, "")


def on_duty(record: Any, instant: Instant) -> str | None:
    """Return the operator signed on at an instant, from one hammer's record of `OPERATORS`; None where nobody was."""
    return _unless_expired(Timeline(record).find(instant), instant)


def tool_at(record: Any, instant: Instant) -> str | None:
    """Return the tool fitted at an instant, from one hammer's record of `TOOLS`; None where none was logged."""
    found = Timeline(record).find(instant)
    return found[0] if found else None


def _unless_expired(sign_on: tuple[str, Instant] | None, instant: Instant) -> str | None:
    return sign_on[0] if sign_on and instant - sign_on[1] < SIGN_ON_EXPIRES_AFTER else None
