"""Draw the rates of a site's operators: a funnel plot, and estimated rates with their intervals.

Spiegelhalter 2005, Statistics in Medicine 24:1185. The caller computes the limits.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import (
    LETTER,
    SHAPES,
    WIDTH,
    Drawing,
    Frame,
    Scale,
    Standing,
    format_number,
    shorten,
    spread_labels,
    trace,
)

_FUNNEL: Final = Frame(40.0, WIDTH - 10.0, 22.0, 214.0)
_INTERVALS_TOP: Final = 30.0
_ROW: Final = 20.0
_MAX_LETTERS: Final = 18

_NAMED: Final = 5
"""Up to this many points, all have a name; of more, only those that stand out."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """Points [n] and limits [m]; exposure in `hours`, rates per hour. A point without a name stays unnamed.

    `inner` (95 %) and `outer` (99.8 %) are limits (lower [m], upper [m]) over `at_h` [m].
    """

    names: Sequence[str]
    hours: Floats
    rate: Floats
    standing: Sequence[Standing]
    expected: float
    at_h: Floats
    inner: tuple[Floats, Floats]
    outer: tuple[Floats, Floats]
    exposure: str = "Firing hours"


def draw_funnel(ident: str, funnel: Funnel, title: str) -> str:
    """Return the plot as SVG."""
    drawing = Drawing(ident, 264, title, _describe_funnel(funnel))
    top = max([1.25 * float(np.max(funnel.rate, initial=0.0)), 2.5 * funnel.expected, 0.1])
    x = Scale(0.0, max(1.06 * float(np.max(funnel.hours, initial=0.0)), 0.1), _FUNNEL.left, _FUNNEL.right)
    y = Scale(0.0, top, _FUNNEL.bottom, _FUNNEL.top)
    drawing.value_axis(_FUNNEL, y, 4)
    drawing.bottom_axis(_FUNNEL, x, 5)
    drawing.text(4, 11, "Faults per hour")
    drawing.text(_FUNNEL.right, _FUNNEL.bottom + 30, funnel.exposure, anchor="end")
    inside = (funnel.at_h > 0) & (funnel.at_h <= x.high)
    across = x.of(funnel.at_h[inside])
    for style, limits in (("outer", funnel.outer), ("inner", funnel.inner)):
        for limit in limits:
            shown = np.where(limit[inside] <= top, limit[inside], np.nan)
            drawing.path(trace(across, y.of(shown), WIDTH), style)
    drawing.line(_FUNNEL.left, y(funnel.expected), _FUNNEL.right, y(funnel.expected), "mean")
    _key(drawing, funnel)
    _points(drawing, funnel, x, y)
    return drawing.svg()


def _points(drawing: Drawing, funnel: Funnel, x: Scale, y: Scale) -> None:
    all_named = len(funnel.names) <= _NAMED
    named = [
        i
        for i, (name, standing) in enumerate(zip(funnel.names, funnel.standing, strict=True))
        if name and (all_named or standing in ("above", "below"))
    ]
    heights = spread_labels([y(float(funnel.rate[i])) for i in named], 12.0, _FUNNEL.top, _FUNNEL.bottom - 8)
    for i, height in zip(named, heights, strict=True):
        name = shorten(funnel.names[i], 16)
        point_x, point_y = x(float(funnel.hours[i])), y(float(funnel.rate[i]))
        on_left = point_x + 14 + LETTER * len(name) > _FUNNEL.right
        label_x = point_x - 12 if on_left else point_x + 12
        if abs(height - point_y) > 4:
            drawing.line(point_x, point_y, label_x, height, "grid")
        style = "strong" if funnel.standing[i] in ("above", "below") else "soft"
        drawing.text(label_x, height + 4, name, style, "end" if on_left else "start")
    for i, standing in enumerate(funnel.standing):
        name, rate, hours = funnel.names[i] or "another", float(funnel.rate[i]), float(funnel.hours[i])
        tooltip = f"{name}: {format_number(rate)} per hour over {format_number(hours)} h"
        drawing.mark(x(hours), y(rate), SHAPES[standing], standing, tooltip)


def _key(drawing: Drawing, funnel: Funnel) -> None:
    y = _FUNNEL.bottom + 44
    drawing.line(_FUNNEL.left, y - 4, _FUNNEL.left + 18, y - 4, "mean")
    drawing.text(_FUNNEL.left + 22, y, f"site {format_number(funnel.expected)} per h")
    drawing.line(_FUNNEL.left + 130, y - 4, _FUNNEL.left + 148, y - 4, "inner")
    drawing.text(_FUNNEL.left + 152, y, "95 %")
    drawing.line(_FUNNEL.left + 204, y - 4, _FUNNEL.left + 222, y - 4, "outer")
    drawing.text(_FUNNEL.left + 226, y, "99.8 % by chance")


def _describe_funnel(funnel: Funnel) -> str:
    out = [
        f"{name or 'another'} is {standing} the limits"
        for name, standing in zip(funnel.names, funnel.standing, strict=True)
        if standing in ("above", "below")
    ]
    many = f"{len(funnel.names)} points around the site's rate of {format_number(funnel.expected)} per hour."
    return f"{many} {'; '.join(out) or 'None is outside the limits'}."


@dataclass(frozen=True, slots=True)
class Intervals:
    """Rows [n]: estimated rate per hour with limits, and rate as counted (NaN: none); `expected`: the site's rate."""

    names: Sequence[str]
    rate: Floats
    lower: Floats
    upper: Floats
    raw: Floats
    standing: Sequence[Standing]
    expected: float


def draw_intervals(ident: str, intervals: Intervals, title: str) -> str:
    """Return the chart as SVG; its height depends on the number of rows."""
    names = [shorten(name, _MAX_LETTERS) for name in intervals.names]
    left = 14 + LETTER * max(map(len, names), default=0)
    bottom = _INTERVALS_TOP + _ROW * len(names)
    drawing = Drawing(ident, bottom + 36, title, _describe_intervals(intervals))
    known = np.concatenate([intervals.rate, intervals.raw, [intervals.expected]])
    shown = float(np.nanmax(known)) if np.isfinite(known).any() else 0.1
    widest = float(np.nanmax(intervals.upper)) if np.isfinite(intervals.upper).any() else shown
    x = Scale(0.0, max(min(widest, 2.5 * shown) * 1.04, 0.1), left, _FUNNEL.right)
    for value in x.ticks(4):
        drawing.line(x(value), _INTERVALS_TOP - 6, x(value), bottom, "grid")
        drawing.text(x(value), bottom + 14, format_number(value), "soft", "middle")
    drawing.text(_FUNNEL.right, bottom + 28, "faults per hour", anchor="end")
    if intervals.expected == intervals.expected:
        at = x(intervals.expected)
        drawing.line(at, _INTERVALS_TOP - 8, at, bottom, "mean")
        side = "end" if at > (left + _FUNNEL.right) / 2 else "start"
        drawing.text(at, _INTERVALS_TOP - 13, f"site {format_number(intervals.expected)}", "", side)
    for i, name in enumerate(names):
        _row(drawing, intervals, i, name, x, _INTERVALS_TOP + (i + 0.5) * _ROW)
    return drawing.svg()


def _row(drawing: Drawing, intervals: Intervals, i: int, name: str, x: Scale, y: float) -> None:
    standing = intervals.standing[i]
    drawing.text(4, y + 4, name, "strong" if standing in ("above", "below") else "")
    rate, lower, upper, raw = (
        float(column[i]) for column in (intervals.rate, intervals.lower, intervals.upper, intervals.raw)
    )
    if lower == lower and upper == upper:
        drawing.line(x(lower), y, x(upper), y, f"span {standing}")
        if upper > x.high:
            drawing.path(
                f"M{_FUNNEL.right - 5:.1f},{y - 4:.1f}L{_FUNNEL.right:.1f},{y:.1f}L{_FUNNEL.right - 5:.1f},{y + 4:.1f}",
                "axis",
            )
    limits = f"{format_number(lower)} to {format_number(upper)}"
    tooltip = f"{intervals.names[i]}: estimated {format_number(rate)} per hour, {limits}"
    if raw == raw:
        drawing.mark(
            x(raw), y, "diamond", "raw", f"{intervals.names[i]}: counted {format_number(raw)} per hour"
        )
    if rate == rate:
        drawing.mark(x(rate), y, SHAPES[standing], standing, tooltip)


def _describe_intervals(intervals: Intervals) -> str:
    lines = [
        f"{name}: {format_number(rate)} ({format_number(lower)} to {format_number(upper)})"
        for name, rate, lower, upper in zip(
            intervals.names,
            intervals.rate.tolist(),
            intervals.lower.tolist(),
            intervals.upper.tolist(),
            strict=True,
        )
    ]
    return f"Site {format_number(intervals.expected)} per hour. {'; '.join(lines)}."
