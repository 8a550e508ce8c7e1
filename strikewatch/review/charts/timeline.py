"""Draw the timeline of a shift: share of firing, oil with its limit, faults as marks, times without rows hatched."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Floats, Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import (
    BY_PRIORITY,
    WIDTH,
    Drawing,
    Frame,
    Scale,
    format_number,
    local_time,
    time_scale,
    trace,
)

_FRAME: Final = Frame(36.0, WIDTH - 8.0, 34.0, 96.0)
_MARKS: Final = 22.0
_HOLD_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A fault on a timeline: its onset, priority and tooltip."""

    at: Instant
    priority: Priority
    tooltip: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """Data of a hammer in [begin, end), instants in ns. `silent`: intervals without rows."""

    begin: Instant
    end: Instant
    fired: Sequence[tuple[Instant, Instant]]
    oil_c: tuple[Ints, Floats]
    limit_c: float
    marks: Sequence[Mark] = ()
    silent: Sequence[tuple[Instant, Instant]] = ()


def draw_timeline(ident: str, shift: Timeline, title: str, zone: ZoneInfo) -> str:
    """Return the timeline as SVG, with times in `zone`."""
    drawing = Drawing(ident, 118, title, _description(shift, zone))
    x = time_scale(shift.begin, shift.end, _FRAME.left, _FRAME.right)
    drawing.rect(_FRAME.left, _FRAME.top, _FRAME.right - _FRAME.left, _FRAME.bottom - _FRAME.top, "panel")
    for start, stop in shift.silent:
        a, b = x(np.array([start, stop])).tolist()
        drawing.hatched(a, _FRAME.top, b - a, _FRAME.bottom - _FRAME.top, "gap-hatch")
    drawing.path(_bars(shift), "fired")
    at, oil_c = shift.oil_c
    known = oil_c[np.isfinite(oil_c)]
    high = max(float(known.max()) if len(known) else 0.0, shift.limit_c) + 6
    y = Scale(min(20.0, float(known.min()) if len(known) else 20.0), high, _FRAME.bottom, _FRAME.top)
    for value in y.ticks(3):
        drawing.text(_FRAME.left - 4, y(value) + 4, format_number(value), "soft", "end")
    drawing.line(_FRAME.left, y(shift.limit_c), _FRAME.right, y(shift.limit_c), "limit")
    gap = _HOLD_S * (_FRAME.right - _FRAME.left) / ((shift.end - shift.begin) / SECOND)
    drawing.path(trace(x(at), y.of(oil_c), max(gap, 1.5)), "oil")
    drawing.text(4, 10, f"Bars: share fired; line: oil °C, limit {format_number(shift.limit_c)}", "soft")
    for mark in shift.marks:
        if shift.begin <= mark.at < shift.end:
            position = float(x(np.array([mark.at]))[0])
            drawing.mark(position, _MARKS, BY_PRIORITY[mark.priority], "fault", mark.tooltip)
    drawing.time_axis(_FRAME, shift.begin, shift.end, zone, 6)
    return drawing.svg()


def _bars(shift: Timeline) -> str:
    """Return the share of firing in each two units of width, as one outline."""
    n = int((_FRAME.right - _FRAME.left) / 2)
    edges = np.linspace(shift.begin, shift.end, n + 1)
    fired = np.array(
        [
            (max(a, shift.begin), min(b, shift.end))
            for a, b in shift.fired
            if b > shift.begin and a < shift.end
        ]
    )
    if not len(fired):
        return ""
    # Firing time up to each edge: whole bouts before it, and part of the bout that contains it.
    starts, ends = fired[:, 0].astype(float), fired[:, 1].astype(float)
    cumulative = np.clip(edges[:, None] - starts, 0.0, ends - starts).sum(axis=1)
    heights = np.diff(cumulative) / np.diff(edges) * (_FRAME.bottom - _FRAME.top - 6)
    step = (_FRAME.right - _FRAME.left) / n
    return "".join(
        f"M{_FRAME.left + i * step:.1f},{_FRAME.bottom:g}v-{height:.1f}h{step:.1f}v{height:.1f}Z"
        for i, height in enumerate(heights.tolist())
        if height > 0.05
    )


def _description(shift: Timeline, zone: ZoneInfo) -> str:
    fired_s = sum(max(0, min(b, shift.end) - max(a, shift.begin)) for a, b in shift.fired) / SECOND
    span = f"{local_time(shift.begin, zone):%d %b %H:%M} to {local_time(shift.end, zone):%H:%M}"
    known = shift.oil_c[1][np.isfinite(shift.oil_c[1])]
    oil = (
        f" Oil up to {format_number(float(known.max()))} °C, limit {format_number(shift.limit_c)}."
        if len(known)
        else ""
    )
    many = "1 fault" if len(shift.marks) == 1 else f"{len(shift.marks) or 'no'} faults"
    return f"{span}: {fired_s / 60:.0f} min of firing, {many}.{oil}"
