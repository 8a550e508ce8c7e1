"""Slow twins that depend on when the carrier works: the exposure and signal_lost."""

from collections.abc import Sequence
from itertools import pairwise

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
    length_within,
    merge_spans,
    operator_at,
    samples,
    tool_at,
    value_at,
    working_spans,
)

HOUR = 3600 * SECOND
Stretch = tuple[int, int, int, int, str | None, str | None]
"""Start, end, operating ns, firing ns, operator, tool."""


def find_exposure(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Stretch]:
    rows = accepted(rows)
    if not rows:
        return []
    works = _clipped(working_spans(rows, working_rpm=working_rpm, row_gap_s=row_gap_s), end)
    fires = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    # Without engine speed it is open whether the time after the last row counts, until the silence is too long.
    open_ended = not samples(rows, "engine_rpm") and end - rows[-1].time_ns <= seconds(row_gap_s)
    fires = _clipped(fires, rows[-1].time_ns if open_ended else end)
    either = merge_spans(sorted([*works, *fires]))
    if not either:
        return []
    cuts = {
        *range(either[0][0] // HOUR * HOUR, end + HOUR, HOUR),
        *(event.effective for event in events_by_time(events, "sign_on", "sign_off", "tool_change")),
        *(event.effective + 14 * HOUR for event in events_by_time(events, "sign_on")),
    }
    edges = sorted(cuts)
    stretches: list[Stretch] = []
    for start, stop in pairwise(edges):
        within = [(max(a, start), min(b, stop)) for a, b in either if a < stop and b > start]
        if within:
            first = within[0][0]
            names = operator_at(events, first), tool_at(events, first)
            stretches.append(
                (
                    first,
                    within[-1][1],
                    length_within(works, start, stop),
                    length_within(fires, start, stop),
                    *names,
                )
            )
    return _merge_unless_cut(stretches, events)


def _merge_unless_cut(stretches: list[Stretch], events: Sequence[Event]) -> list[Stretch]:
    """Merge stretches of one hour, except where an event, or the lapse of the sign-on in force, lies between them."""
    signed = events_by_time(events, "sign_on", "sign_off")
    lapses = {
        sign_on.effective + 14 * HOUR
        for sign_on, after in zip(signed, [*signed[1:], None], strict=False)
        if sign_on.kind == "sign_on" and not (after and after.effective <= sign_on.effective + 14 * HOUR)
    }
    cuts = lapses | {
        event.effective for event in events_by_time(events, "sign_on", "sign_off", "tool_change")
    }
    merged: list[Stretch] = []
    for stretch in stretches:
        last = merged[-1] if merged else None
        if (
            last
            and last[0] // HOUR == stretch[0] // HOUR
            and not any(last[0] < cut <= stretch[0] for cut in cuts)
        ):
            merged[-1] = (last[0], stretch[1], last[2] + stretch[2], last[3] + stretch[3], last[4], last[5])
        else:
            merged.append(stretch)
    return merged


def _clipped(spans: Sequence[Span], end: int) -> list[Span]:
    return [(a, min(b, end)) for a, b in spans if a < end]


def find_signal_lost(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    silence_s: float = 30.0,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
) -> list[Record]:
    rows = accepted(rows)
    engine = held_values(rows, "engine_rpm")
    records = []
    for i, row in enumerate(rows):
        if engine:
            rpm = value_at(engine, row.time_ns)
            worked = rpm is not None and rpm > working_rpm
        else:
            worked = i > 0 and row.time_ns - rows[i - 1].time_ns <= seconds(row_gap_s)
        onset = row.time_ns + seconds(silence_s)
        following = rows[i + 1].time_ns if i + 1 < len(rows) else None
        if worked and onset <= end and (following is None or onset <= following):
            records.append(Record("signal_lost", onset, following, "low", operator_at(events, onset)))
    return records
