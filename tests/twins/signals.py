"""What is known of one hammer at each instant, who operated it, and helpers for recordings written by hand.

A slow implementation of "Time and values" and "Whose fault" in guide/faults.md. A recording is a list of `Row` in the
order of arrival. Times are whole nanoseconds, so every sum is exact. A span is half-open: it contains its first instant
and not its last."""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import attrgetter
from typing import Any, NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds

Span = tuple[int, int]


class Row(NamedTuple):
    """One instant of one hammer: a channel that is absent or NaN was not sampled."""

    time_ns: int
    values: Mapping[str, float]


class Piece(NamedTuple):
    """A value and the span in which it is known."""

    start: int
    end: int
    value: float


@dataclass(frozen=True)
class Record:
    """One fault found by a twin; with `evidence` only where guide/faults.md defines it exactly."""

    fault: str
    onset: int
    cleared: int | None
    priority: Priority
    operator: str | None
    evidence: dict[str, Any] = field(default_factory=dict)


def accepted(rows: Sequence[Row]) -> list[Row]:
    """Return the rows that are used: no duplicates of a time, and none older than the newest so far."""
    kept: list[Row] = []
    for row in rows:
        if not kept or row.time_ns > kept[-1].time_ns:
            kept.append(row)
    return kept


def sampled_value(row: Row, channel: str) -> float | None:
    """Return the value in the row, possible or not; None if not sampled."""
    value = row.values.get(channel, math.nan)
    return None if math.isnan(value) else value


def in_range(channel: str, value: float) -> bool:
    return CHANNELS[channel].low <= value <= CHANNELS[channel].high


def samples(rows: Sequence[Row], channel: str) -> list[tuple[int, float]]:
    """Return (time, value) of each possible value: a value out of range counts as missing, as does NaN."""
    low, high = CHANNELS[channel].low, CHANNELS[channel].high
    return [(time, value) for time, values in rows if low <= (value := values.get(channel, math.nan)) <= high]


_start = attrgetter("start")


def hold(sampled: Sequence[tuple[int, float]], hold_ns: int) -> list[Piece]:
    """Return each value until the next one, for at most the hold time."""
    pieces = []
    for i, (time, value) in enumerate(sampled):
        end = time + hold_ns
        if i + 1 < len(sampled):
            end = min(end, sampled[i + 1][0])
        pieces.append(Piece(time, end, value))
    return pieces


def held_values(rows: Sequence[Row], channel: str) -> list[Piece]:
    return hold(samples(rows, channel), CHANNELS[channel].hold_ns)


def value_at(pieces: Sequence[Piece], time: int) -> float | None:
    """Return the value at an instant; `pieces` in order of time, without overlap."""
    number = bisect_right(pieces, time, key=_start) - 1
    return pieces[number].value if number >= 0 and time < pieces[number].end else None


def merge_spans(spans: Sequence[Span]) -> list[Span]:
    """Merge spans that touch or overlap; `spans` in order of time."""
    merged: list[Span] = []
    for start, end in spans:
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def firing_spans(rows: Sequence[Row], *, on_bar: float = 80.0, off_bar: float = 60.0) -> list[Span]:
    """Return the bouts, from `active`, or from pressure if no row has `active`."""
    if samples(rows, "active"):
        pieces = held_values(rows, "active")
    else:
        on = 0.0
        switched = []
        for time, bar in samples(rows, "pressure_bar"):
            if bar >= on_bar:
                on = 1.0
            elif bar < off_bar:
                on = 0.0
            switched.append((time, on))
        pieces = hold(switched, CHANNELS["pressure_bar"].hold_ns)
    return merge_spans([(piece.start, piece.end) for piece in pieces if piece.value == 1.0])


def working_spans(rows: Sequence[Row], *, working_rpm: float = 400.0, row_gap_s: float = 10.0) -> list[Span]:
    """Return when the carrier works: by engine speed, or in a feed without it while rows are close enough."""
    if samples(rows, "engine_rpm"):
        return merge_spans(
            [(p.start, p.end) for p in held_values(rows, "engine_rpm") if p.value > working_rpm]
        )
    spans = []
    for before, after in pairwise(rows):
        if after.time_ns - before.time_ns <= seconds(row_gap_s):
            spans.append((before.time_ns, after.time_ns))
    return merge_spans(spans)


def intersection(first: Sequence[Span], second: Sequence[Span]) -> list[Span]:
    """Return the spans that are in both."""
    return sorted((max(a, c), min(b, d)) for a, b in first for c, d in second if max(a, c) < min(b, d))


def length_within(spans: Sequence[Span], start: int, end: int) -> int:
    """Return how much of [start, end) is covered by `spans`, ns."""
    return sum(b - a for a, b in intersection(spans, [(start, end)]))


def instant_of_length(spans: Sequence[Span], start: int, amount_ns: int) -> int | None:
    """Return the first instant at which the length of `spans` since `start` is `amount_ns`; None if never."""
    so_far = 0
    for a, b in spans:
        a = max(a, start)
        if a < b:
            if so_far + (b - a) >= amount_ns:
                return a + (amount_ns - so_far)
            so_far += b - a
    return None


def events_by_time(events: Sequence[Event], *kinds: str) -> list[Event]:
    """Return the events of these kinds by the time at which they take effect; equal times in the order given."""
    return sorted((event for event in events if event.kind in kinds), key=lambda event: event.effective)


def operator_changes(events: Sequence[Event]) -> list[tuple[int, str | None]]:
    """Return (instant, operator) of each change that counts; of several at one instant the last.

    From the ninth change within 0.6 s on the operator is None, until a change with fewer before it.
    """
    changes: dict[int, str | None] = {}
    for event in events_by_time(events, "sign_on", "sign_off"):
        at = event.effective
        earlier = [since for since in changes if since != at]
        if sum(at - seconds(0.6) < since for since in earlier) < 8:
            changes[at] = event.fields.get("operator")
        elif changes and changes[max(changes)] is not None:
            changes[at] = None
    return sorted(changes.items())


def operator_at(events: Sequence[Event], instant: int, *, sign_on_h: float = 14.0) -> str | None:
    """Return the operator of the last sign-on at or before an instant; None after a sign-off or 14 h."""
    return operator_after(operator_changes(events), instant, sign_on_h=sign_on_h)


def operator_after(
    changes: Sequence[tuple[int, str | None]], instant: int, *, sign_on_h: float = 14.0
) -> str | None:
    """Return the operator at an instant from `operator_changes`."""
    past = [(since, operator) for since, operator in changes if since <= instant]
    if not past or instant - past[-1][0] >= seconds(sign_on_h * 3600):
        return None
    return past[-1][1]


def tool_at(events: Sequence[Event], instant: int) -> str | None:
    """Return the tool of the last change at or before an instant."""
    fitted = [event for event in events_by_time(events, "tool_change") if event.effective <= instant]
    return fitted[-1].fields["tool"] if fitted else None


def row(time_s: float, **values: float) -> Row:
    return Row(seconds(time_s), values)


def firing_rows(start_s: int, end_s: int) -> list[Row]:
    """Return rows of firing on [start, end): `active` true each second, then false."""
    return [row(t, active=1.0) for t in range(start_s, end_s)] + [row(end_s, active=0.0)]


def event(time_s: float, kind: str, **fields: Any) -> Event:
    return Event("fennick-hollow", "HB-01", kind, seconds(time_s), fields)


def summaries(records: list[Record]) -> list[tuple[str, float, float | None, str]]:
    """Return (fault, onset s, cleared s, priority) of each record."""
    return [
        (r.fault, r.onset / SECOND, None if r.cleared is None else r.cleared / SECOND, r.priority)
        for r in records
    ]
