"""A hammer's hours as a strip of time, drawn here: bouts as bars, the oil as a line under its dashed limit, faults as
marks of three shapes, and hatching where nothing was heard.

The strip is as wide as there is room: what follows time is stretched, texts and marks are not. Colours are the style
sheet's, by class. The review's strip (`review/charts/timeline`) is for paper: of one width, with an
axis and a key;
shapes and hours are the same.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Floats, Ints
from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES, time_ticks
from strikewatch.web.live.recent_hours import MINUTE, Strip
from strikewatch.web.pages.formatting import View

HEIGHT: Final = 66
_MARKS: Final = 16
"""Height of the lane of marks, at the top; below it the lane of oil and bars, then the hours."""
_LANE: Final = 36
_BOTTOM: Final = _MARKS + _LANE
_COOL_C: Final = 20.0
_TICKS: Final = 6
"""Hours that there is room for, on a phone."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A fault on the strip: when it began, how grave it is, what to call it."""

    at: Instant
    priority: Priority
    text: str


def draw(
    name: str,
    strip: Strip,
    window: tuple[Instant, Instant],
    marks: Iterable[Mark],
    limit_c: float,
    zone: ZoneInfo,
    view: View,
    about: Mark | None = None,
) -> str:
    """SVG of a window of time, whole minutes. `name` is the hammer's, for ids and the title; `about`: the one of the
    marks that the strip is drawn for."""
    begin, end = window
    width = (end - begin) // MINUTE
    ident = "".join(
        one if one.isalnum() else "-" for one in (name if about is None else f"{name}-{about.at}")
    )
    heard, oil_c = strip.oil(begin, end)
    column = ((heard - begin) // MINUTE).astype(np.int64)
    fired = _fired(strip, begin, end, width)
    marks = sorted((mark for mark in marks if begin <= mark.at < end), key=lambda mark: mark.at)
    title = (
        view.words("strip.title", hammer=name, hours=f"{width / 60:.0f}", marks=len(marks))
        if about is None
        else view.words("strip.around", hammer=name, about=about.text, marks=len(marks))
    )
    told = view.words("strip.told", firing=view.span(float(fired.sum()) * 60.0))
    top_c = max(limit_c + 15.0, float(np.nanmax(oil_c)) if np.isfinite(oil_c).any() else 0.0)
    parts = [
        f'<svg class="strip" role="img" aria-labelledby="{ident}-t {ident}-d" width="100%" height="{HEIGHT}">',
        f'<title id="{ident}-t">{escape(title)}</title><desc id="{ident}-d">{escape(told)}</desc>',
        f'<defs><pattern id="{ident}-gap" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M0,0V6"/></pattern></defs>',
        f'<rect class="ground" y="{_MARKS}" width="100%" height="{_LANE}"/>',
        *_gaps(ident, column, width),
        f'<svg y="{_MARKS}" width="100%" height="{_LANE}" viewBox="0 0 {width} {_LANE}" preserveAspectRatio="none">',
        f'<path class="fired" d="{_bars(fired)}"/>',
        f'<path class="limit" d="M0,{_height(limit_c, top_c):.1f}H{width}"/>',
        f'<path class="oil" d="{_line(column, oil_c, top_c)}"/></svg>',
        *_ticks(begin, end, zone),
        *([] if about is None else [_about(about, begin, end)]),
        *(_mark(mark, begin, end) for mark in marks),
        "</svg>",
    ]
    return "".join(parts)


def _fired(strip: Strip, begin: Instant, end: Instant, width: int) -> Floats:
    """Share of each minute that the hammer fired [width]."""
    share = np.zeros(width)
    for start, stop in strip.bouts(begin, end):
        for minute in range((start - begin) // MINUTE, (stop - 1 - begin) // MINUTE + 1):
            lo = begin + minute * MINUTE
            share[minute] += (min(stop, lo + MINUTE) - max(start, lo)) / MINUTE
    return share


def _bars(fired: Floats) -> str:
    """One outline of all the bars; neighbours that are alike are one bar."""
    heights = np.round(fired * (_LANE - 4)).astype(np.int64)
    edges = np.flatnonzero(np.diff(heights, prepend=-1, append=-1))
    return "".join(
        f"M{a},{_LANE}V{_LANE - heights[a]}H{b}V{_LANE}"
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        if heights[a] > 0
    )


def _height(oil_c: float, top_c: float) -> float:
    return _LANE - _LANE * (min(max(oil_c, _COOL_C), top_c) - _COOL_C) / (top_c - _COOL_C)


def _line(column: Ints, oil_c: Floats, top_c: float) -> str:
    """The oil minute by minute; the pen is lifted where a minute is missing."""
    points, before = [], -2
    for x, value in zip(column.tolist(), oil_c.tolist(), strict=True):
        if value != value:
            continue
        points.append(f"{'L' if x == before + 1 else 'M'}{x + 0.5:g},{_height(value, top_c):.1f}")
        before = x
    return "".join(points)


def _gaps(ident: str, column: Ints, width: int) -> list[str]:
    """Hatching over the minutes that nothing was heard in."""
    silent = np.ones(width, bool)
    silent[column] = False
    edges = np.flatnonzero(np.diff(silent.astype(np.int8), prepend=0, append=0))
    return [
        f'<rect fill="url(#{ident}-gap)" x="{100 * a / width:.2f}%" y="{_MARKS}" '
        f'width="{100 * (b - a) / width:.2f}%" height="{_LANE}"/>'
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]


def _ticks(begin: Instant, end: Instant, zone: ZoneInfo) -> Iterable[str]:
    """The site's hours, no closer than there is room for."""
    for at, shown in time_ticks(begin, end, zone, _TICKS):
        x = 100 * (at - begin) / (end - begin)
        yield f'<svg x="{x:.2f}%" y="{_BOTTOM}" overflow="visible"><path class="tick" d="M0,0V4"/></svg>'
        if 3 < x < 97:
            yield f'<text class="hour" x="{x:.2f}%" y="{HEIGHT - 1}">{shown}</text>'


def _about(mark: Mark, begin: Instant, end: Instant) -> str:
    """A line through the strip, at the mark that it is drawn for."""
    x = 100 * (mark.at - begin) / (end - begin)
    return f'<svg x="{x:.2f}%" overflow="visible"><path class="about" d="M0,12V{_BOTTOM}"/></svg>'


def _mark(mark: Mark, begin: Instant, end: Instant) -> str:
    x = 100 * (mark.at - begin) / (end - begin)
    return (
        f'<svg x="{x:.2f}%" y="8" overflow="visible"><path class="mark {mark.priority}" '
        f'd="{OUTLINES[BY_PRIORITY[mark.priority]]}"><title>{escape(mark.text)}</title></path></svg>'
    )
