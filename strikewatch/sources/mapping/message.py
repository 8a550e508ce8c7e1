"""One message of a mapped source: its values become rows of hammers, and what is wrong with it is collected."""

from collections.abc import Callable, Container, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.core.channels import hold_column
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import limit_holds
from strikewatch.sources.hold import has_hold_columns
from strikewatch.sources.mapping.collector import Collector, Row, to_rows
from strikewatch.sources.mapping.paths import Frame, Getter, compile_path
from strikewatch.sources.mapping.patterns import Name
from strikewatch.sources.mapping.tables import Scalar
from strikewatch.sources.mapping.value_readers import ValueReader
from strikewatch.sources.mapping.values import Codes, Mistakes

Words = dict[str, str]
Conditions = tuple[tuple[Callable[[Words, Frame, Any], Any], Codes], ...]


def compile_where(where: Mapping[str, Iterable[Scalar]]) -> Conditions:
    return tuple((_condition(place), Codes(values)) for place, values in where.items())


def _condition(place: str) -> Callable[[Words, Frame, Any], Any]:
    if place.startswith("{"):
        word = place[1:-1]
        return lambda words, _frame, _record: words.get(word)
    get = compile_path(place)
    return lambda _words, frame, record: get(frame, record)


def fulfilled(conditions: Conditions, words: Words, frame: Frame, record: Any) -> bool:
    return all(get(words, frame, record) in allowed for get, allowed in conditions)


class Channel(NamedTuple):
    """A channel of a source, compiled. `get`: None where the value is beside a name."""

    name: str
    reader: ValueReader
    get: Getter | None
    pattern: Name | None
    conditions: Conditions
    hold_s: float | None


Values = list[tuple[Channel, Any]]
"""Channels, and what the payload has for each."""


class Shape(NamedTuple):
    """What all messages of a source share. `private`: payloads name a person."""

    name: str
    constants: dict[str, float]
    holds: bool
    private: bool


class Message:
    """One message: the rows of its records, which `finish` hands over."""

    __slots__ = (
        "cells",
        "count",
        "held",
        "into",
        "latest",
        "mistakes",
        "received",
        "rows",
        "shape",
        "unmatched",
    )

    def __init__(
        self, shape: Shape, received: Instant, latest: Instant, held: Container[Key], into: Collector
    ) -> None:
        self.shape = shape
        self.received = received
        self.latest = latest
        self.held = held
        self.into = into
        self.cells: dict[Key, dict[Instant, Row]] = {}
        self.rows: dict[Key, list[Rows]] = {}
        self.count = 0
        self.mistakes: dict[Key | None, Mistakes] = {}
        self.unmatched = True  # no record had anything that the source uses, or passes over

    def reject(self, error: Rejected, key: Key | None) -> None:
        # without the traceback, which refers to this message and would keep the payload until cycles are collected
        self.mistakes.setdefault(key, Mistakes()).add(Rejected(error.reason, error.detail, error.count))

    def add_row(self, key: Key, time: Instant, values: Values) -> None:
        """Add the values of one instant; a bad value costs only itself."""
        by_time = self.cells.setdefault(key, {})
        row = by_time.get(time)
        if row is None:
            row = {}
            self.count += 1
        null_ends_hold = key in self.held
        for channel, raw in values:
            try:
                value = channel.reader.read(raw, null_ends_hold=null_ends_hold)
            except Rejected as error:
                self.reject(Rejected(error.reason, f"{channel.name}: {error.detail}"), key)
                continue
            before = row.get(channel.name)
            if before is not None and before == before:
                if value == value and value != before:
                    what = f"{channel.name}: is given twice for one instant, {before:g} and {value:g}"
                    self.reject(Rejected("both_given", f"{what}; the first counts"), key)
                continue
            row[channel.name] = value
            if channel.hold_s is not None:
                row[hold_column(channel.name)] = channel.hold_s
        if values and not row:
            return
        row.update(self.shape.constants)
        by_time[time] = row

    def add_block(self, key: Key, times: Ints, values: Values) -> None:
        """Add a block; a value that is no array belongs to its first instant."""
        columns: dict[str, Floats] = {}
        null_ends_hold = key in self.held
        for channel, raw in values:
            several = type(raw) is list
            column, errors = channel.reader.column(raw if several else [raw], null_ends_hold=null_ends_hold)
            if not several:
                column = np.concatenate([column, np.full(len(times) - 1, np.nan)])
            columns[channel.name] = column
            for error in errors:
                self.reject(Rejected(error.reason, f"{channel.name}{error.detail}", error.count), key)
            if channel.hold_s is not None:
                columns[hold_column(channel.name)] = np.where(np.isnan(column), np.nan, channel.hold_s)
        for name, value in self.shape.constants.items():
            columns[name] = np.full(len(times), value)
        rows = Rows(times, columns)
        if np.any(times[1:] < times[:-1]):
            rows = rows[np.argsort(times, kind="stable")]
        self.rows.setdefault(key, []).append(rows)

    def finish(self) -> None:
        """Hand over the rows, in order of time for each hammer, and the rejects."""
        into = self.into
        for key in {**self.cells, **self.rows} if self.rows else self.cells:
            by_time = self.cells.get(key) or {}
            blocks = self.rows.get(key, [])
            if len(by_time) == 1 and not blocks and not self.shape.holds and key not in self.held:
                [(time, row)] = by_time.items()
                into.add_row(key, time, row)
            elif by_time or blocks:
                self._add_sorted(key, by_time, blocks)
        for sender, mistakes in self.mistakes.items():
            named = [
                Rejected(one.reason, f"{self.shape.name}: {one.detail}", one.count) for one in mistakes.all()
            ]
            into.reject(named, sender, private=self.shape.private)

    def _add_sorted(self, key: Key, by_time: dict[Instant, Row], blocks: list[Rows]) -> None:
        """Add the rows of one hammer in order of time: some senders put the newest record first."""
        times = sorted(by_time)
        parts = [*blocks, to_rows(times, [by_time[time] for time in times])] if times else blocks
        rows = Rows.join(parts)
        if len(parts) > 1:
            rows = rows[np.argsort(rows.time_ns, kind="stable")]
        if key in self.held or has_hold_columns(rows):
            try:
                rows, too_old = limit_holds(rows, self.received)
            except Rejected as error:
                self.reject(error, key)
                return
            if too_old is not None:
                self.reject(too_old, key)
        self.into.add_rows(key, rows)
