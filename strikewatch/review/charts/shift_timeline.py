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
    Scale,
    format_number,
    local_time,
    time_scale,
    time_ticks,
    trace,
)

_LEFT: Final = 36.0
_RIGHT: Final = WIDTH - 8.0
_MARKS: Final = 22.0
_TOP: Final = 34.0
_BOTTOM: Final = 96.0
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


def draw(ident: str, strip: Timeline, title: str, zone: ZoneInfo) -> str:
    """Return the timeline as SVG, with times in `zone`."""
    sheet = Drawing(ident, 118, title, _description(strip, zone))
    x = time_scale(strip.begin, strip.end, _LEFT, _RIGHT)
    sheet.rect(_LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP, "panel")
    for start, stop in strip.silent:
        a, b = x(np.array([start, stop])).tolist()
        sheet.hatched(a, _TOP, b - a, _BOTTOM - _TOP, "gap-hatch")
    sheet.path(_bars(strip), "fired")
    at, oil_c = strip.oil_c
    known = oil_c[np.isfinite(oil_c)]
    high = max(float(known.max()) if len(known) else 0.0, strip.limit_c) + 6
    y = Scale(min(20.0, float(known.min()) if len(known) else 20.0), high, _BOTTOM, _TOP)
    for value in y.ticks(3):
        sheet.text(_LEFT - 4, y(value) + 4, format_number(value), "soft", "end")
    sheet.line(_LEFT, y(strip.limit_c), _RIGHT, y(strip.limit_c), "limit")
    gap = _HOLD_S * (_RIGHT - _LEFT) / ((strip.end - strip.begin) / SECOND)
    sheet.path(trace(x(at), y.of(oil_c), max(gap, 1.5)), "oil")
    sheet.text(4, 10, f"Bars: share fired; line: oil °C, limit {format_number(strip.limit_c)}", "soft")
    for mark in strip.marks:
        if strip.begin <= mark.at < strip.end:
            place = float(x(np.array([mark.at]))[0])
            sheet.mark(place, _MARKS, BY_PRIORITY[mark.priority], "fault", mark.tooltip)
    for instant, words in time_ticks(strip.begin, strip.end, zone, 6):
        place = float(x(np.array([instant]))[0])
        sheet.line(place, _BOTTOM, place, _BOTTOM + 4, "axis")
        if _LEFT + 12 < place < _RIGHT - 12:
            sheet.text(place, _BOTTOM + 16, words, "soft", "middle")
    return sheet.svg()


def _bars(strip: Timeline) -> str:
    """Return the share of firing in each two units of width, as one outline."""
    n = int((_RIGHT - _LEFT) / 2)
    edges = np.linspace(strip.begin, strip.end, n + 1)
    fired = np.array(
        [
            (max(a, strip.begin), min(b, strip.end))
            for a, b in strip.fired
            if b > strip.begin and a < strip.end
        ]
    )
    if not len(fired):
        return ""
    # Firing time up to each edge: whole bouts before it, and part of the bout that contains it.
    starts, ends = fired[:, 0].astype(float), fired[:, 1].astype(float)
    upto = np.clip(edges[:, None] - starts, 0.0, ends - starts).sum(axis=1)
    heights = np.diff(upto) / np.diff(edges) * (_BOTTOM - _TOP - 6)
    step = (_RIGHT - _LEFT) / n
    return "".join(
        f"M{_LEFT + i * step:.1f},{_BOTTOM:g}v-{height:.1f}h{step:.1f}v{height:.1f}Z"
        for i, height in enumerate(heights.tolist())
        if height > 0.05
    )


def _description(strip: Timeline, zone: ZoneInfo) -> str:
    fired_s = sum(max(0, min(b, strip.end) - max(a, strip.begin)) for a, b in strip.fired) / SECOND
    span = f"{local_time(strip.begin, zone):%d %b %H:%M} to {local_time(strip.end, zone):%H:%M}"
    known = strip.oil_c[1][np.isfinite(strip.oil_c[1])]
    oil = (
        f" Oil up to {format_number(float(known.max()))} °C, limit {format_number(strip.limit_c)}."
        if len(known)
        else ""
    )
    many = "1 fault" if len(strip.marks) == 1 else f"{len(strip.marks) or 'no'} faults"
    return f"{span}: {fired_s / 60:.0f} min of firing, {many}.{oil}"
