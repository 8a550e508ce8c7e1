"""Slow twins of the greasing faults: manual greasing (grease_due, grease_overdue, grease_short) and grease_feed."""

from collections.abc import Sequence
from typing import NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    events_by_time,
    firing_spans,
    held_values,
    instant_of_length,
    intersection,
    length_within,
    merge_spans,
    operator_at,
    samples,
    working_spans,
)


def find_manual(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    due_s: float = 6300.0,
    limit_s: float = 7200.0,
    high_s: float = 10800.0,
    count_firing: bool = False,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
    single_strokes: int = 15,
    each_strokes: int = 10,
) -> list[Record]:
    rows = accepted(rows)
    if count_firing:
        clock = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    else:
        clock = working_spans(rows, working_rpm=working_rpm, row_gap_s=row_gap_s)
    greasings = events_by_time(events, "grease")
    times = [event.effective for event in greasings]

    def instant_on_clock(zero: int, amount_s: float, greased: int | None) -> int | None:
        """Return when the clock started at `zero` reaches the amount, if that is before the next greasing."""
        instant = instant_of_length(clock, zero, seconds(amount_s))
        if instant is None or instant > end or (greased is not None and instant > greased):
            return None
        return instant

    records = []
    for zero, greased in zip([0, *times], [*times, None], strict=True):
        due = instant_on_clock(zero, due_s, greased)
        if due is not None:
            records.append(Record("grease_due", due, greased, "low", operator_at(events, due)))
        overdue = instant_on_clock(zero, limit_s, greased)
        if overdue is not None:
            high = instant_on_clock(zero, high_s, greased) is not None
            priority: Priority = "high" if high else "medium"
            records.append(Record("grease_overdue", overdue, greased, priority, operator_at(events, overdue)))

    for event, following in zip(greasings, [*times[1:], None], strict=False):
        strokes = event.fields.get("strokes") or []
        needed = single_strokes if len(strokes) == 1 else each_strokes
        manual = event.fields.get("method", "manual") == "manual"
        if manual and any(given < needed for given in strokes):
            onset = event.effective
            records.append(Record("grease_short", onset, following, "low", operator_at(events, onset)))
    return records


FOREVER = 2**62


class Cause(NamedTuple):
    """A cause of grease_feed, active from `start` to `end`; both may be the same instant."""

    start: int
    end: int
    name: str


def reservoir_causes(rows: Sequence[Row], low_level: float, refilled_level: float) -> list[Cause]:
    causes: list[Cause] = []
    since: int | None = None
    for time, level in samples(rows, "grease_level"):
        if level < low_level and since is None:
            since = time
        elif level >= refilled_level and since is not None:
            causes.append(Cause(since, time, "reservoir"))
            since = None
    if since is not None:
        causes.append(Cause(since, FOREVER, "reservoir"))
    return causes


def without_flow(rows: Sequence[Row], bouts: Sequence[Span]) -> list[tuple[Span, list[Span]]]:
    """Return the spans between instants with flow, each with the firing in it while flow is known to be false."""
    trues = [time for time, flows in samples(rows, "grease_flow") if flows == 1.0]
    falses = [(p.start, p.end) for p in held_values(rows, "grease_flow") if p.value == 0.0]
    dry = intersection(bouts, falses)
    return [
        ((start, end), intersection(dry, [(start, end)]))
        for start, end in zip([-FOREVER, *trues], [*trues, FOREVER], strict=True)
    ]


def flow_causes(spans: Sequence[tuple[Span, list[Span]]], no_flow_ns: int) -> list[Cause]:
    causes = []
    for (start, end), dry in spans:
        since = instant_of_length(dry, start, no_flow_ns)
        if since is not None:
            causes.append(Cause(since, end, "flow"))
    return causes


def line_causes(
    rows: Sequence[Row], low_bar: float | None, high_bar: float | None, line_ns: int
) -> list[Cause]:
    """Return the spans from the instant at which pressure was outside for long enough to the first instant inside."""

    def outside(bar: float) -> bool:
        return (low_bar is not None and bar < low_bar) or (high_bar is not None and bar > high_bar)

    flows = [(p.start, p.end) for p in held_values(rows, "grease_flow") if p.value == 1.0]
    pieces = held_values(rows, "grease_bar")
    outside_spans = merge_spans(intersection(flows, [(p.start, p.end) for p in pieces if outside(p.value)]))
    inside_spans = intersection(flows, [(p.start, p.end) for p in pieces if not outside(p.value)])
    causes: list[Cause] = []
    for start, end in outside_spans:
        since = start + line_ns
        if since <= end and not (causes and since < causes[-1].end):
            causes.append(
                Cause(since, min((s for s, _ in inside_spans if s >= since), default=FOREVER), "line")
            )
    return causes


def find_automatic(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    low_level: float = 0.10,
    refilled_level: float = 0.15,
    no_flow_s: float = 600.0,
    line_low_bar: float | None = None,
    line_high_bar: float | None = None,
    line_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    """Find grease_feed.

    Evidence: `causes` in the order reservoir, flow, line; `level`: the lowest known from the onset on; `dry_s`: the
    longest firing without flow since the last flow.
    """
    rows = accepted(rows)
    spans = without_flow(rows, firing_spans(rows, on_bar=on_bar, off_bar=off_bar))
    causes = [
        *reservoir_causes(rows, low_level, refilled_level),
        *flow_causes(spans, seconds(no_flow_s)),
        *line_causes(rows, line_low_bar, line_high_bar, seconds(line_s)),
    ]
    causes = [cause for cause in causes if cause.start <= end]
    records = []
    for onset, cleared in merge_spans(sorted((cause.start, cause.end) for cause in causes)):
        ended = cleared <= end
        until = cleared if ended else end
        names = {cause.name for cause in causes if onset <= cause.start and cause.end <= cleared}
        levels = [p.value for p in held_values(rows, "grease_level") if p.start <= until and p.end >= onset]
        flow_ends = {cause.end for cause in causes if cause.name == "flow" and cause.start == onset}
        dry = [
            length_within(firing_dry, start, until)
            for (start, stop), firing_dry in spans
            if start <= until and (stop > onset or stop in flow_ends)
        ]
        evidence = {
            "causes": " ".join(name for name in ("reservoir", "flow", "line") if name in names),
            "level": min(levels, default=None),
            "dry_s": max(dry) / SECOND or None,
        }
        operator = operator_at(events, onset)
        records.append(Record("grease_feed", onset, cleared if ended else None, "medium", operator, evidence))
    return records
