"""Draw values along one axis: rates by setting (sweep), readings of wear by hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import WIDTH, Drawing, Frame, Scale, Shape, format_number, trace
from strikewatch.review.statistics.lifetimes import LimitCrossing, Trend

_SWEEP: Final = Frame(40.0, WIDTH - 12.0, 34.0, 200.0)
_READINGS: Final = Frame(44.0, WIDTH - 12.0, 24.0, 170.0)
_POINTS: Final = 60
_SHAPES: Final[tuple[Shape, ...]] = ("dot", "diamond", "up", "square", "down")


@dataclass(frozen=True, slots=True)
class SweepLine:
    """One fault: its rate per firing hour [n] at each value, with limits [n]."""

    name: str
    rate: Floats
    lower: Floats
    upper: Floats


def draw_sweep(
    ident: str, setting: str, values: Floats, now: float, lines: Sequence[SweepLine], title: str
) -> str:
    """Return faults per firing hour against one setting, as SVG; values [n] must rise, `now` is the current value."""
    description = "; ".join(
        f"{line.name}: {format_number(float(line.rate[0]))} an hour at {format_number(float(values[0]))}, "
        f"{format_number(float(line.rate[-1]))} at {format_number(float(values[-1]))}"
        for line in lines
    )
    drawing = Drawing(ident, 246, title, description)
    high = max([float(np.nanmax(line.upper, initial=0.0)) for line in lines] + [0.1])
    x = Scale(
        float(values[0]),
        float(values[-1]) if values[-1] > values[0] else float(values[0]) + 1,
        _SWEEP.left,
        _SWEEP.right,
    )
    y = Scale(0.0, 1.05 * high, _SWEEP.bottom, _SWEEP.top)
    drawing.value_axis(_SWEEP, y, 4)
    if values[0] <= now <= values[-1]:
        drawing.line(x(now), _SWEEP.top, x(now), _SWEEP.bottom, "limit")
        drawing.text(x(now), _SWEEP.top - 4, f"now {format_number(now)}", "soft", "middle")
    for k, line in enumerate(lines):
        shape = _SHAPES[k % len(_SHAPES)]
        points = list(zip(values.tolist(), line.rate.tolist(), strict=True))
        drawing.path("M" + "L".join(f"{x(a):.1f},{y(b):.1f}" for a, b in points), "track")
        for a, low, up in zip(values.tolist(), line.lower.tolist(), line.upper.tolist(), strict=True):
            drawing.line(x(a), y(low), x(a), y(up), "span")
        for a, b in points:
            drawing.mark(
                x(a), y(b), shape, "within", f"{line.name} at {format_number(a)}: {format_number(b)} an hour"
            )
        drawing.mark(_SWEEP.left + 6, 10 + 12 * k, shape, "within")
        drawing.text(_SWEEP.left + 16, 14 + 12 * k, line.name)
    drawing.bottom_axis(_SWEEP, x, 6)
    drawing.text((_SWEEP.left + _SWEEP.right) / 2, _SWEEP.bottom + 34, setting, "soft", "middle")
    drawing.text(_SWEEP.right, 14, "faults per firing hour, exact 95 % limits", "soft", "end")
    return drawing.svg()


def draw_readings(
    ident: str,
    readings: Sequence[tuple[float, float]],
    now_h: float,
    trend: Trend,
    limit_mm: float | None,
    crossing: LimitCrossing | None,
    title: str,
) -> str:
    """Return the chart of readings (operating hours, mm) [n], rising in hours, as SVG.

    The chart continues after the present by as many hours as before it, or up to where the limit is certainly reached.
    """
    first_h = readings[0][0]
    ahead_h = 2 * now_h - first_h
    certain_h = crossing.last_h if crossing and crossing.last_h is not None else ahead_h
    end_h = max(min(ahead_h, certain_h + 0.1 * (now_h - first_h)), now_h, first_h + 1e-6)
    hours = np.linspace(first_h, end_h, _POINTS).tolist()
    band = [trend.at(hour) for hour in hours]
    shown = [value for _, value in readings] + [line for line, _, _ in band]
    shown += [] if limit_mm is None else [limit_mm]
    low, high = min(shown), max(shown)
    margin = max(0.2 * (high - low), 0.1)
    x, y = (
        Scale(first_h, end_h, _READINGS.left, _READINGS.right),
        Scale(low - margin, high + margin, _READINGS.bottom, _READINGS.top),
    )
    drawing = Drawing(ident, 206, title, _describe_readings(readings, trend, limit_mm))
    drawing.value_axis(_READINGS, y, 4, "{:g}".format)
    drawing.bottom_axis(_READINGS, x, 5)
    for k, style in ((1, "inner"), (2, "inner"), (0, "track")):
        edge = np.array([at[k] for at in band])
        edge[(edge < y.low) | (edge > y.high)] = np.nan  # do not draw along the edge of the chart
        drawing.path(trace(x.of(np.array(hours)), y.of(edge), WIDTH), style)
    drawing.line(x(now_h), _READINGS.top, x(now_h), _READINGS.bottom, "grid")
    drawing.text(x(now_h), _READINGS.bottom - 4, "now", "soft", "middle")
    if limit_mm is not None:
        drawing.line(_READINGS.left, y(limit_mm), _READINGS.right, y(limit_mm), "limit")
        drawing.text(_READINGS.left + 4, y(limit_mm) - 4, f"limit {limit_mm:g}", "limit-word")
    for hour, value in readings:
        drawing.mark(x(hour), y(value), "dot", "within", f"{value:g} mm at {format_number(hour)} h")
    drawing.text(4, 11, "mm")
    drawing.text(_READINGS.right, 11, "dashed: 95 % of further readings", "soft", "end")
    drawing.text(
        (_READINGS.left + _READINGS.right) / 2, _READINGS.bottom + 32, "operating hours", "soft", "middle"
    )
    return drawing.svg()


def _describe_readings(readings: Sequence[tuple[float, float]], trend: Trend, limit_mm: float | None) -> str:
    (_, before), (_, last) = readings[0], readings[-1]
    limit = "" if limit_mm is None else f" The limit is {limit_mm:g} mm."
    slope = f"{100 * trend.slope_mm_h:+.3g} mm per 100 operating hours"
    return f"{len(readings)} readings, from {before:g} to {last:g} mm: {slope}.{limit}"
