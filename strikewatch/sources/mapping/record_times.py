"""Times of a record: the instant of its values, or the instants of arrays of values."""

from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json
from strikewatch.sources.mapping.message import Message, Values
from strikewatch.sources.mapping.paths import MISSING, Frame, Getter, compile_path
from strikewatch.sources.mapping.tables import SourceTable, TimeTable
from strikewatch.sources.mapping.times import TimeReader, even_grid, step_ns


class RecordTime(NamedTuple):
    """The time of one record. `listed`: a time for each value of its arrays, as sent; they count from `since`."""

    at: Instant
    listed: list[Any] | None = None
    since: Instant = 0


class _Place(NamedTuple):
    """Where a time is in a record, and how it is read."""

    reader: TimeReader
    get: Getter

    @staticmethod
    def of(table: Any) -> "_Place | None":
        if not isinstance(table, TimeTable) or table.at is None:
            return None
        return _Place(TimeReader(table), _joined(table.at))

    def raw(self, frame: Frame, record: Any) -> Any:
        """Return the time as sent. Raises Rejected if there is none."""
        raw = self.get(frame, record)
        if raw is MISSING or raw is None:
            raise Rejected("missing", f"time: is missing; nothing is at {self.reader.place}")
        return raw


class RecordTimes:
    """Reads the times of a source's records; without a time in them, the time of receipt counts."""

    def __init__(self, table: SourceTable) -> None:
        self.time = _Place.of(table.time)
        self.since = _Place.of(table.time.since) if table.time is not None else None
        self._step = table.step
        self._step_at = None if table.step is None else compile_path(table.step.at)
        self._fixed_step = None if table.step_s is None else Fraction(repr(table.step_s)) * SECOND

    def read(self, frame: Frame, record: Any, message: Message) -> RecordTime:
        """Return the time of a record. Raises Rejected."""
        if self.time is None:
            return RecordTime(message.received)
        raw, since = self.time.raw(frame, record), 0
        if self.since is not None:
            since = self.since.reader.read(self.since.raw(frame, record), message.received, message.latest)
        if type(raw) is list:
            return RecordTime(message.received, raw, since)
        return RecordTime(self.time.reader.read(raw, message.received, message.latest, since))

    def of_arrays(
        self, time: RecordTime, values: Values, frame: Frame, record: Any, message: Message
    ) -> Ints:
        """Return the instants of arrays of values, int64 [n]. Raises Rejected."""
        lengths = {channel.name: len(raw) for channel, raw in values if type(raw) is list}
        if time.listed is not None:
            lengths = {"time": len(time.listed), **lengths}
        count = next(iter(lengths.values()))
        if not count or any(length != count for length in lengths.values()):
            given = ", ".join(f"{name} {length}" for name, length in lengths.items())
            raise Rejected("lengths", f"the arrays must have one length, and at least 1; got {given}")
        message.count += count
        if message.count > strict_json.MAX_ROWS:
            raise Rejected("too_large", f"payload: more than {strict_json.MAX_ROWS} rows")
        if time.listed is not None:
            assert self.time is not None
            read = self.time.reader.read
            times = [read(each, message.received, message.latest, time.since) for each in time.listed]
            return np.array(times, np.int64)
        step = self._fixed_step
        if self._step_at is not None and self._step is not None:
            step = step_ns(self._step_at(frame, record), self._step)
        if step is None and count > 1:
            raise Rejected("bad_step", "an array of values needs `step`, `step_s`, or as many times")
        grid = even_grid(time.at, step or Fraction(1), count)
        if grid[-1] > message.latest:
            last = instant.text(int(grid[-1]))
            raise Rejected("clock_ahead", f"the last value, at {last}, is ahead of the receiver; see `step`")
        return grid


def _joined(at: str | tuple[str, ...]) -> Getter:
    """Return a getter of a time that may be in several places, such as a date and a clock time."""
    if isinstance(at, str):
        return compile_path(at)
    getters = [compile_path(each) for each in at]

    def get(frame: Frame, record: Any) -> Any:
        parts = [each(frame, record) for each in getters]
        if any(part is MISSING or part is None or type(part) in (dict, list) for part in parts):
            return MISSING
        return " ".join(str(part).strip() for part in parts)

    return get
