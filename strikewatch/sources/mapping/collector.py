"""What messages of mapped sources give: rows and events of hammers, rejects, and what was passed over."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats, Key, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected

Row = dict[str, float]
"""The values of one instant by column: channels, and their hold times."""


class PassedOver(NamedTuple):
    """Something that a source leaves out on purpose.

    `what`: `name` (of a value), `device` (not in `hammers`), `where` (a record), `retained` (a message), `topic`, or
    what a format itself leaves out.
    """

    what: str
    name: str = ""


class MappedReject(NamedTuple):
    """A rejected payload or part of one. `key`: the hammer, if it is known. `private`: the payload names a person."""

    error: Rejected
    key: Key | None = None
    private: bool = False


@dataclass(slots=True)
class Mapped:
    """What one message gives. `values`: number of values read. `requests`: topics and payloads to publish."""

    rows: dict[Key, Rows] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    rejects: list[MappedReject] = field(default_factory=list)
    passed_over: dict[PassedOver, int] = field(default_factory=dict)
    values: int = 0
    requests: list[tuple[str, bytes]] = field(default_factory=list)


class _Hammer:
    """The rows of one hammer in order of arrival: blocks, and single rows that are not joined yet."""

    __slots__ = ("parts", "rows", "times")

    def __init__(self) -> None:
        self.parts: list[Rows] = []
        self.times: list[Instant] = []
        self.rows: list[Row] = []

    def join(self) -> Rows:
        self.close()
        return Rows.join(self.parts)

    def close(self) -> None:
        """Turn the single rows into columns."""
        if self.times:
            self.parts.append(to_rows(self.times, self.rows))
            self.times, self.rows = [], []


class Collector:
    """Collects what messages give; one call of `Source.collect` adds one message."""

    def __init__(self) -> None:
        self._hammers: dict[Key, _Hammer] = {}
        self.events: list[Event] = []
        self.rejects: list[MappedReject] = []
        self.passed_over: dict[PassedOver, int] = {}
        self.requests: list[tuple[str, bytes]] = []
        """Topics and payloads of messages to be published at QoS 0."""
        self.keys: list[Key] = []
        """The hammers of the last message."""
        self.newest: dict[Key, Instant] = {}
        """The newest row of each hammer's last message."""
        self.values = 0
        self._first: Instant | None = None
        self._last: Instant = 0

    @property
    def span(self) -> int:
        """Time from the earliest to the latest row collected, ns."""
        return 0 if self._first is None else self._last - self._first

    def _extend(self, first: Instant, last: Instant) -> None:
        if self._first is None:
            self._first, self._last = first, last
        elif first < self._first:
            self._first = first
        if last > self._last:
            self._last = last

    def add_row(self, key: Key, time: Instant, row: Row) -> None:
        """Add a message's only row of a hammer; it has values of channels only, no hold times."""
        hammer = self._hammer(key)
        hammer.times.append(time)
        hammer.rows.append(row)
        self.newest[key] = time
        if self._first is None or not self._first <= time <= self._last:
            self._extend(time, time)
        self.values += len(row)

    def add_rows(self, key: Key, rows: Rows) -> None:
        """Add a message's rows of a hammer, in order of time."""
        hammer = self._hammer(key)
        hammer.close()
        hammer.parts.append(rows)
        self.newest[key] = int(rows.time_ns[-1])
        self._extend(int(rows.time_ns[0]), int(rows.time_ns[-1]))
        self.values += sum(
            int(np.count_nonzero(np.isfinite(values)))
            for name, values in rows.columns.items()
            if name in CHANNELS
        )

    def _hammer(self, key: Key) -> _Hammer:
        self.keys.append(key)
        hammer = self._hammers.get(key)
        if hammer is None:
            hammer = self._hammers[key] = _Hammer()
        return hammer

    def pass_over(self, what: str, name: str = "", count: int = 1) -> None:
        """Count something passed over; of its name, characters that cannot be printed are replaced."""
        if not name.isprintable():
            name = "".join(char if char.isprintable() else "\ufffd" for char in name)
        passed = PassedOver(what, name)
        self.passed_over[passed] = self.passed_over.get(passed, 0) + count

    def reject(self, errors: Iterable[Rejected], key: Key | None = None, *, private: bool = False) -> None:
        self.rejects += [MappedReject(error, key, private) for error in errors]

    def take_rows(self) -> dict[Key, Rows]:
        """Return the rows collected so far by hammer, in order of arrival, and forget them."""
        found = {key: hammer.join() for key, hammer in self._hammers.items()}
        self._hammers = {}
        self._first = None
        return found

    def result(self) -> Mapped:
        """Return everything collected."""
        return Mapped(
            self.take_rows(), self.events, self.rejects, self.passed_over, self.values, self.requests
        )


def to_rows(times: list[Instant], rows: list[Row]) -> Rows:
    """Build columns from single rows; a value that a row lacks is NaN."""
    if len(rows) == 1:
        [row] = rows
        cells = np.array(list(row.values()), np.float64)
        return Rows(np.array(times, np.int64), {name: cells[k : k + 1] for k, name in enumerate(row)})
    names = dict.fromkeys(name for row in rows for name in row)
    columns: Mapping[str, Floats] = {
        name: np.array([row.get(name, _NAN) for row in rows], np.float64) for name in names
    }
    return Rows(np.array(times, np.int64), columns)


_NAN: Final = float("nan")
