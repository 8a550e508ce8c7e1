"""What is known of one hammer at each instant: guide/faults.md, "Time and values", read slowly.

A recording is a list of `Row` in the order of arrival. Times are whole nanoseconds, so every sum here is
exact. A span is half-open: it holds its first instant and not its last.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import seconds

Span = tuple[int, int]


class Row(NamedTuple):
    """One instant of one hammer: a channel that is absent or NaN was not sampled."""

    time_ns: int
    values: Mapping[str, float]


class Piece(NamedTuple):
    """A value and the span for which it is known."""

    start: int
    end: int
    value: float


@dataclass(frozen=True)
class Record:
    """One fault as a twin finds it; `evidence` only where guide/faults.md defines it exactly."""

    fault: str
    onset: int
    cleared: int | None
    priority: Priority
    operator: str | None
    evidence: dict[str, Any] = field(default_factory=dict)


def admitted(rows: Sequence[Row]) -> list[Row]:
    """The rows that are used: not a second one of the same time, not one older than the newest so far."""
    kept: list[Row] = []
    for row in rows:
        if not kept or row.time_ns > kept[-1].time_ns:
            kept.append(row)
    return kept


def raw(row: Row, channel: str) -> float | None:
    """The value that the row carries, possible or not."""
    value = row.values.get(channel, math.nan)
    return None if math.isnan(value) else value


def in_range(channel: str, value: float) -> bool:
    return CHANNELS[channel].low <= value <= CHANNELS[channel].high


def samples(rows: Sequence[Row], channel: str) -> list[tuple[int, float]]:
    """(time, value) of each possible value: one out of range counts as missing."""
    found = []
    for row in rows:
        value = raw(row, channel)
        if value is not None and in_range(channel, value):
            found.append((row.time_ns, value))
    return found


def held(sampled: Sequence[tuple[int, float]], hold_ns: int) -> list[Piece]:
    """Each value until the next one, for at most the hold time."""
    pieces = []
    for i, (time, value) in enumerate(sampled):
        end = time + hold_ns
        if i + 1 < len(sampled):
            end = min(end, sampled[i + 1][0])
        pieces.append(Piece(time, end, value))
    return pieces


def known(rows: Sequence[Row], channel: str) -> list[Piece]:
    return held(samples(rows, channel), CHANNELS[channel].hold_ns)


def value_at(pieces: Sequence[Piece], time: int) -> float | None:
    for piece in pieces:
        if piece.start <= time < piece.end:
            return piece.value
    return None


def joined(spans: Sequence[Span]) -> list[Span]:
    """Spans in order of time, those that touch made one."""
    whole: list[Span] = []
    for start, end in spans:
        if whole and start <= whole[-1][1]:
            whole[-1] = (whole[-1][0], max(end, whole[-1][1]))
        else:
            whole.append((start, end))
    return whole


def firing(rows: Sequence[Row], *, on_bar: float = 80.0, off_bar: float = 60.0) -> list[Span]:
    """The bouts. From `active`, or from pressure where no row carries an `active` at all."""
    if samples(rows, "active"):
        pieces = known(rows, "active")
    else:
        on = 0.0
        switched = []
        for time, bar in samples(rows, "pressure_bar"):
            if bar >= on_bar:
                on = 1.0
            elif bar < off_bar:
                on = 0.0
            switched.append((time, on))
        pieces = held(switched, CHANNELS["pressure_bar"].hold_ns)
    return joined([(piece.start, piece.end) for piece in pieces if piece.value == 1.0])


def working(rows: Sequence[Row], *, working_rpm: float = 400.0, row_gap_s: float = 10.0) -> list[Span]:
    """When the carrier works: by its engine where the feed has it, else by rows at most `row_gap_s` apart."""
    if samples(rows, "engine_rpm"):
        return joined([(p.start, p.end) for p in known(rows, "engine_rpm") if p.value > working_rpm])
    spans = []
    for before, after in pairwise(rows):
        if after.time_ns - before.time_ns <= seconds(row_gap_s):
            spans.append((before.time_ns, after.time_ns))
    return joined(spans)


def both(some: Sequence[Span], others: Sequence[Span]) -> list[Span]:
    """Where both hold."""
    met = []
    for a, b in some:
        for c, d in others:
            if max(a, c) < min(b, d):
                met.append((max(a, c), min(b, d)))
    return sorted(met)


def length(spans: Sequence[Span], start: int, end: int) -> int:
    """The nanoseconds of `spans` that lie in [start, end)."""
    return sum(b - a for a, b in both(spans, [(start, end)]))


def reached(spans: Sequence[Span], start: int, amount_ns: int) -> int | None:
    """The first instant at which the length of `spans` since `start` is `amount_ns`."""
    sofar = 0
    for a, b in spans:
        a = max(a, start)
        if a < b:
            if sofar + (b - a) >= amount_ns:
                return a + (amount_ns - sofar)
            sofar += b - a
    return None
