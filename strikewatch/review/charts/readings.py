"""Draw readings of wear over operating hours: their trend, the interval of further readings, and the limit."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from strikewatch.review.charts.drawing import WIDTH, Drawing, Scale, format_number, trace
from strikewatch.review.statistics.trend import LimitCrossing, Trend

_LEFT: Final = 44.0
_RIGHT: Final = WIDTH - 12.0
_TOP: Final = 24.0
_BOTTOM: Final = 170.0
_POINTS: Final = 60


def draw(
    ident: str,
    readings: Sequence[tuple[float, float]],
    now_h: float,
    trend: Trend,
    limit_mm: float | None,
    meeting: LimitCrossing | None,
    title: str,
) -> str:
    """Return the chart of readings (operating hours, mm) [n], rising in hours, as SVG.

    The chart continues after the present by as many hours as before it, or up to where the limit is surely reached.
    """
    first_h = readings[0][0]
    ahead_h = 2 * now_h - first_h
    sure = meeting.last_h if meeting and meeting.last_h is not None else ahead_h
    end_h = max(min(ahead_h, sure + 0.1 * (now_h - first_h)), now_h, first_h + 1e-6)
    hours = np.linspace(first_h, end_h, _POINTS).tolist()
    band = [trend.at(hour) for hour in hours]
    shown = [value for _, value in readings] + [line for line, _, _ in band]
    shown += [] if limit_mm is None else [limit_mm]
    low, high = min(shown), max(shown)
    margin = max(0.2 * (high - low), 0.1)
    x, y = Scale(first_h, end_h, _LEFT, _RIGHT), Scale(low - margin, high + margin, _BOTTOM, _TOP)
    sheet = Drawing(ident, 206, title, _description(readings, trend, limit_mm))
    for value in y.ticks(4):
        sheet.line(_LEFT, y(value), _RIGHT, y(value), "grid")
        sheet.text(_LEFT - 5, y(value) + 4, f"{value:g}", "soft", "end")
    for hour in x.ticks(5):
        sheet.line(x(hour), _BOTTOM, x(hour), _BOTTOM + 4, "axis")
        sheet.text(x(hour), _BOTTOM + 16, format_number(hour), "soft", "middle")
    sheet.line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis")
    for k, look in ((1, "inner"), (2, "inner"), (0, "track")):
        edge = np.array([at[k] for at in band])
        edge[(edge < y.low) | (edge > y.high)] = np.nan  # do not draw along the edge of the chart
        sheet.path(trace(x.of(np.array(hours)), y.of(edge), WIDTH), look)
    sheet.line(x(now_h), _TOP, x(now_h), _BOTTOM, "grid")
    sheet.text(x(now_h), _BOTTOM - 4, "now", "soft", "middle")
    if limit_mm is not None:
        sheet.line(_LEFT, y(limit_mm), _RIGHT, y(limit_mm), "limit")
        sheet.text(_LEFT + 4, y(limit_mm) - 4, f"limit {limit_mm:g}", "limit-word")
    for hour, value in readings:
        sheet.mark(x(hour), y(value), "dot", "within", f"{value:g} mm at {format_number(hour)} h")
    sheet.text(4, 11, "mm")
    sheet.text(_RIGHT, 11, "dashed: 95 % of further readings", "soft", "end")
    sheet.text((_LEFT + _RIGHT) / 2, _BOTTOM + 32, "operating hours", "soft", "middle")
    return sheet.svg()


def _description(readings: Sequence[tuple[float, float]], trend: Trend, limit_mm: float | None) -> str:
    (_, before), (_, last) = readings[0], readings[-1]
    limit = "" if limit_mm is None else f" The limit is {limit_mm:g} mm."
    slope = f"{100 * trend.slope_mm_h:+.3g} mm per 100 operating hours"
    return f"{len(readings)} readings, from {before:g} to {last:g} mm: {slope}.{limit}"
