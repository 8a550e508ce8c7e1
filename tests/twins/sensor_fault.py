"""sensor_fault: a channel out of range (a not-available code is) or frozen, read slowly."""

from collections.abc import Sequence

from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    firing_spans,
    held_values,
    in_range,
    instant_of_length,
    intersection,
    merge_spans,
    operator_at,
    sampled_value,
)

FOREVER = 2**62
FREEZES = ("pressure_bar", "oil_c")


def out_of_range(rows: Sequence[Row], channel: str) -> list[Span]:
    """From an impossible value to the next possible one."""
    spans: list[Span] = []
    since: int | None = None
    for row in rows:
        value = sampled_value(row, channel)
        if value is None:
            continue
        if not in_range(channel, value):
            since = row.time_ns if since is None else since
        elif since is not None:
            spans.append((since, row.time_ns))
            since = None
    if since is not None:
        spans.append((since, FOREVER))
    return spans


def frozen(rows: Sequence[Row], channel: str, bouts: Sequence[Span], amount_ns: int) -> list[Span]:
    """From the instant enough firing has gone by on one same value, to the first different value."""
    runs: list[tuple[float, list[Span]]] = []
    for piece in held_values(rows, channel):
        if not runs or runs[-1][0] != piece.value:
            runs.append((piece.value, []))
        runs[-1][1].append((piece.start, piece.end))
    spans: list[Span] = []
    for i, (_, same) in enumerate(runs):
        since = instant_of_length(intersection(bouts, same), 0, amount_ns)
        if since is not None:
            spans.append((since, runs[i + 1][1][0][0] if i + 1 < len(runs) else FOREVER))
    return spans


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    frozen_s: float = 600.0,
    off_delay_s: float = 60.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = accepted(rows)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    bad: list[Span] = []
    for channel in CHANNELS:
        bad += out_of_range(rows, channel)
    for channel in FREEZES:
        bad += frozen(rows, channel, bouts, seconds(frozen_s))
    alerts: list[list[Span]] = []
    for span in merge_spans(sorted(bad)):
        if span[0] > end:
            continue
        if not alerts or span[0] - alerts[-1][-1][1] >= seconds(off_delay_s):
            alerts.append([])
        alerts[-1].append(span)
    return [
        Record(
            "sensor_fault",
            onset := occurrences[0][0],
            cleared if (cleared := occurrences[-1][1]) + seconds(off_delay_s) <= end else None,
            "low",
            operator_at(events, onset),
            {"occurrences": len(occurrences)},
        )
        for occurrences in alerts
    ]
