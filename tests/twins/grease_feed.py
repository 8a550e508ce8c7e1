"""grease_feed: automatic greasing with the reservoir low, the pump giving none, or the line wrong, read slowly."""

from collections.abc import Sequence
from typing import NamedTuple

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import (
    Record,
    Row,
    Span,
    admitted,
    both,
    firing,
    joined,
    known,
    length,
    reached,
    samples,
)
from tests.twins.whose import operator_at

FOREVER = 2**62


class Cause(NamedTuple):
    """Something wrong from `start` up to `end`; where these are one instant it was reached and over at once."""

    start: int
    end: int
    name: str


def reservoir(rows: Sequence[Row], low_level: float, refilled_level: float) -> list[Cause]:
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
    """From one known true to the next: that span, and the firing in it while flow is known false."""
    trues = [time for time, flows in samples(rows, "grease_flow") if flows == 1.0]
    falses = [(p.start, p.end) for p in known(rows, "grease_flow") if p.value == 0.0]
    dry = both(bouts, falses)
    return [
        ((start, end), both(dry, [(start, end)]))
        for start, end in zip([-FOREVER, *trues], [*trues, FOREVER], strict=True)
    ]


def flow(spans: Sequence[tuple[Span, list[Span]]], no_flow_ns: int) -> list[Cause]:
    causes = []
    for (start, end), dry in spans:
        since = reached(dry, start, no_flow_ns)
        if since is not None:
            causes.append(Cause(since, end, "flow"))
    return causes


def line(rows: Sequence[Row], low_bar: float | None, high_bar: float | None, line_ns: int) -> list[Cause]:
    """What lies outside for long enough, and each the first instant at which it is known to be inside again."""

    def outside(bar: float) -> bool:
        return (low_bar is not None and bar < low_bar) or (high_bar is not None and bar > high_bar)

    flows = [(p.start, p.end) for p in known(rows, "grease_flow") if p.value == 1.0]
    pieces = known(rows, "grease_bar")
    wrong = joined(both(flows, [(p.start, p.end) for p in pieces if outside(p.value)]))
    right = both(flows, [(p.start, p.end) for p in pieces if not outside(p.value)])
    causes: list[Cause] = []
    for start, end in wrong:
        since = start + line_ns
        if since <= end and not (causes and since < causes[-1].end):
            causes.append(Cause(since, min((s for s, _ in right if s >= since), default=FOREVER), "line"))
    return causes


def find(
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
    """Evidence: `causes` in the order reservoir, flow, line; `level`, the lowest known up to the onset and since;
    `dry_s`, the most firing without flow since it last flowed, at any instant of it."""
    rows = admitted(rows)
    spans = without_flow(rows, firing(rows, on_bar=on_bar, off_bar=off_bar))
    causes = [
        *reservoir(rows, low_level, refilled_level),
        *flow(spans, seconds(no_flow_s)),
        *line(rows, line_low_bar, line_high_bar, seconds(line_s)),
    ]
    causes = [cause for cause in causes if cause.start <= end]
    records = []
    for onset, cleared in joined(sorted((cause.start, cause.end) for cause in causes)):
        over = cleared <= end
        until = cleared if over else end
        mine = {cause.name for cause in causes if onset <= cause.start and cause.end <= cleared}
        levels = [p.value for p in known(rows, "grease_level") if p.start <= until and p.end >= onset]
        caused = {cause.end for cause in causes if cause.name == "flow" and cause.start == onset}
        dry = [
            length(firing_dry, start, until)
            for (start, stop), firing_dry in spans
            if start <= until and (stop > onset or stop in caused)
        ]
        evidence = {
            "causes": " ".join(name for name in ("reservoir", "flow", "line") if name in mine),
            "level": min(levels, default=None),
            "dry_s": max(dry) / SECOND or None,
        }
        operator = operator_at(events, onset)
        records.append(Record("grease_feed", onset, cleared if over else None, "medium", operator, evidence))
    return records
