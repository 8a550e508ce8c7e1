"""Exposure, read slowly: operating and firing time by clock hour, operator and tool."""

from collections.abc import Sequence
from itertools import pairwise

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Row, Span, admitted, firing, joined, length, samples, working
from tests.twins.whose import in_order, operator_at, tool_at

HOUR = 3600 * SECOND
Stretch = tuple[int, int, int, int, str | None, str | None]
"""From, to, operating ns, firing ns, operator, tool."""


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Stretch]:
    rows = admitted(rows)
    if not rows:
        return []
    works = _upto(working(rows, working_rpm=working_rpm, row_gap_s=row_gap_s), end)
    fires = firing(rows, on_bar=on_bar, off_bar=off_bar)
    # After the last row of a feed without engine speed nothing is settled until the silence is too long to count.
    open_ended = not samples(rows, "engine_rpm") and end - rows[-1].time_ns <= seconds(row_gap_s)
    fires = _upto(fires, rows[-1].time_ns if open_ended else end)
    either = joined(sorted([*works, *fires]))
    if not either:
        return []
    cuts = {
        *range(either[0][0] // HOUR * HOUR, end + HOUR, HOUR),
        *(event.effective for event in in_order(events, "sign_on", "sign_off", "tool_change")),
        *(event.effective + 14 * HOUR for event in in_order(events, "sign_on")),
    }
    edges = sorted(cuts)
    found: list[Stretch] = []
    for start, stop in pairwise(edges):
        within = [(max(a, start), min(b, stop)) for a, b in either if a < stop and b > start]
        if within:
            first = within[0][0]
            who = operator_at(events, first), tool_at(events, first)
            found.append((first, within[-1][1], length(works, start, stop), length(fires, start, stop), *who))
    return _without_idle_cuts(found, events)


def _without_idle_cuts(found: list[Stretch], events: Sequence[Event]) -> list[Stretch]:
    """A lapse cuts only where it is the sign-on in force that lapses."""
    signed = in_order(events, "sign_on", "sign_off")
    lapses = {
        one.effective + 14 * HOUR
        for one, after in zip(signed, [*signed[1:], None], strict=False)
        if one.kind == "sign_on" and not (after and after.effective <= one.effective + 14 * HOUR)
    }
    real = lapses | {event.effective for event in in_order(events, "sign_on", "sign_off", "tool_change")}
    merged: list[Stretch] = []
    for one in found:
        last = merged[-1] if merged else None
        if last and last[0] // HOUR == one[0] // HOUR and not any(last[0] < cut <= one[0] for cut in real):
            merged[-1] = (last[0], one[1], last[2] + one[2], last[3] + one[3], last[4], last[5])
        else:
            merged.append(one)
    return merged


def _upto(spans: Sequence[Span], end: int) -> list[Span]:
    return [(a, min(b, end)) for a, b in spans if a < end]
