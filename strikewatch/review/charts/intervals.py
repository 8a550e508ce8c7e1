"""Draw estimated rates with their intervals, one per row, next to the site's rate."""

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
    Scale,
    Standing,
    format_number,
    shorten,
)

_RIGHT: Final = WIDTH - 10.0
_TOP: Final = 30.0
_ROW: Final = 20.0
_LETTERS: Final = 18


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


def draw(ident: str, intervals: Intervals, title: str) -> str:
    """Return the chart as SVG; its height depends on the number of rows."""
    names = [shorten(name, _LETTERS) for name in intervals.names]
    left = 14 + LETTER * max(map(len, names), default=0)
    bottom = _TOP + _ROW * len(names)
    sheet = Drawing(ident, bottom + 36, title, _description(intervals))
    known = np.concatenate([intervals.rate, intervals.raw, [intervals.expected]])
    shown = float(np.nanmax(known)) if np.isfinite(known).any() else 0.1
    widest = float(np.nanmax(intervals.upper)) if np.isfinite(intervals.upper).any() else shown
    x = Scale(0.0, max(min(widest, 2.5 * shown) * 1.04, 0.1), left, _RIGHT)
    for value in x.ticks(4):
        sheet.line(x(value), _TOP - 6, x(value), bottom, "grid")
        sheet.text(x(value), bottom + 14, format_number(value), "soft", "middle")
    sheet.text(_RIGHT, bottom + 28, "faults per hour", anchor="end")
    if intervals.expected == intervals.expected:
        at = x(intervals.expected)
        sheet.line(at, _TOP - 8, at, bottom, "mean")
        side = "end" if at > (left + _RIGHT) / 2 else "start"
        sheet.text(at, _TOP - 13, f"site {format_number(intervals.expected)}", "", side)
    for i, name in enumerate(names):
        _row(sheet, intervals, i, name, x, _TOP + (i + 0.5) * _ROW)
    return sheet.svg()


def _row(sheet: Drawing, intervals: Intervals, i: int, name: str, x: Scale, y: float) -> None:
    standing = intervals.standing[i]
    sheet.text(4, y + 4, name, "strong" if standing in ("above", "below") else "")
    rate, lower, upper, raw = (
        float(one[i]) for one in (intervals.rate, intervals.lower, intervals.upper, intervals.raw)
    )
    if lower == lower and upper == upper:
        sheet.line(x(lower), y, x(upper), y, f"span {standing}")
        if upper > x.high:
            sheet.path(
                f"M{_RIGHT - 5:.1f},{y - 4:.1f}L{_RIGHT:.1f},{y:.1f}L{_RIGHT - 5:.1f},{y + 4:.1f}", "axis"
            )
    limits = f"{format_number(lower)} to {format_number(upper)}"
    tooltip = f"{intervals.names[i]}: estimated {format_number(rate)} per hour, {limits}"
    if raw == raw:
        sheet.mark(
            x(raw), y, "diamond", "raw", f"{intervals.names[i]}: counted {format_number(raw)} per hour"
        )
    if rate == rate:
        sheet.mark(x(rate), y, SHAPES[standing], standing, tooltip)


def _description(intervals: Intervals) -> str:
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
