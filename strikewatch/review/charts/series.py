"""Draw values along one axis: rates by setting (sweep), readings of wear by hours, an operator's rates by week."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import (
    LETTER,
    WIDTH,
    Drawing,
    Frame,
    Scale,
    Shape,
    format_number,
    shorten,
    trace,
)
from strikewatch.review.statistics.lifetimes import LimitCrossing, Trend

_SWEEP: Final = Frame(40.0, WIDTH - 12.0, 34.0, 200.0)
_READINGS: Final = Frame(44.0, WIDTH - 12.0, 24.0, 170.0)
_POINTS: Final = 60
_SHAPES: Final[tuple[Shape, ...]] = ("dot", "diamond", "up", "square", "down")
_PANEL_LEFT: Final = 34.0
_PANEL_RIGHT: Final = WIDTH - 8.0
_PANEL_HEADING: Final = 18.0
"""Height of a panel's heading."""
_PANEL_HEIGHT: Final = 46.0
_PANEL_GAP: Final = 8.0
_LABEL_GAP: Final = 44.0
"""Least distance between the names of weeks."""


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


class Mean(NamedTuple):
    """A mean rate per hour between two positions, in weeks from the beginning."""

    begin: float
    end: float
    rate: float


class Talk(NamedTuple):
    """A talk: its position in weeks from the beginning, its day, and the rates before and after if both are known."""

    position: float
    day: str
    means: Sequence[Mean] = ()


@dataclass(frozen=True, slots=True)
class ProgressPanel:
    """One fault: rates per hour by week [n] (NaN without work), their limits, and which are beyond them.

    `centre`: the rate that the limits are around; NaN if there is none. `result`: a few words at the right.
    """

    name: str
    rate: Floats
    lower: Floats
    upper: Floats
    centre: float
    signal: npt.NDArray[np.bool_]
    talks: Sequence[Talk] = ()
    result: str = ""


def draw_progress(ident: str, weeks: Sequence[str], panels: Sequence[ProgressPanel], title: str) -> str:
    """Return control charts over the same weeks as one SVG: limits are wider for fewer hours (u charts).

    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3. The caller computes the limits.
    """
    height = (_PANEL_HEADING + _PANEL_HEIGHT + _PANEL_GAP) * len(panels) + 12.0
    drawing = Drawing(ident, height, title, " ".join(_describe(panel, weeks) for panel in panels))
    step = (_PANEL_RIGHT - _PANEL_LEFT) / max(len(weeks), 1)
    for k, panel in enumerate(panels):
        top = (_PANEL_HEADING + _PANEL_HEIGHT + _PANEL_GAP) * k + _PANEL_HEADING
        _draw_panel(drawing, panel, weeks, Frame(_PANEL_LEFT, _PANEL_RIGHT, top, top + _PANEL_HEIGHT), step)
    every = max(1, -(-len(weeks) * int(_LABEL_GAP) // int(_PANEL_RIGHT - _PANEL_LEFT)))
    for i in range(len(weeks) - 1, -1, -every):
        x, name = _PANEL_LEFT + (i + 0.5) * step, weeks[i]
        at_edge = x + LETTER * len(name) / 2 > WIDTH
        drawing.text(WIDTH if at_edge else x, height - 6, name, "soft", "end" if at_edge else "middle")
    return drawing.svg()


def _draw_panel(
    drawing: Drawing, panel: ProgressPanel, weeks: Sequence[str], frame: Frame, step: float
) -> None:
    means = [mean.rate for talk in panel.talks for mean in talk.means]
    known = np.concatenate([panel.rate, panel.upper, means])
    known = known[np.isfinite(known)]
    y = Scale(0.0, max(1.08 * float(np.max(known, initial=0.0)), 0.1), frame.bottom, frame.top)
    letters = int((frame.right - 4) / (LETTER * 1.12)) - len(panel.result) - 2
    drawing.text(4, frame.top - 8, shorten(panel.name, max(letters, 8)), "strong")
    drawing.text(frame.right, frame.top - 8, panel.result, "soft", "end")
    drawing.value_axis(frame, y, 2)
    drawing.line(frame.left, frame.bottom, frame.right, frame.bottom, "axis")
    for limit in (panel.lower, panel.upper):
        drawing.path(_steps(limit, y, step), "inner")
    if panel.centre == panel.centre:
        drawing.line(frame.left, y(panel.centre), frame.right, y(panel.centre), "outer")
    centres = [frame.left + (i + 0.5) * step for i in range(len(weeks))]
    drawing.path(_joined(centres, panel.rate, y), "track")
    _draw_talks(drawing, panel, frame, y, step)
    for i, rate in enumerate(panel.rate.tolist()):
        if rate != rate:
            continue
        tooltip = f"{weeks[i]}: {format_number(rate)} per hour"
        if not panel.signal[i]:
            drawing.mark(centres[i], y(rate), "dot", "within", tooltip)
        elif rate >= panel.centre:
            drawing.mark(centres[i], y(rate), "up", "above", tooltip)
        else:
            drawing.mark(centres[i], y(rate), "down", "below", tooltip)


def _draw_talks(drawing: Drawing, panel: ProgressPanel, frame: Frame, y: Scale, step: float) -> None:
    label_end = frame.left
    for talk in panel.talks:
        x = min(max(frame.left + talk.position * step, frame.left), frame.right)
        drawing.line(x, frame.top - 3, x, frame.bottom, "moment")
        label = f"coached {talk.day}"
        on_left = x + 4 + LETTER * len(label) > frame.right
        begin = x - 4 - LETTER * len(label) if on_left else x + 4
        if begin >= label_end:  # not over the label of an earlier talk
            drawing.text(
                x - 4 if on_left else x + 4, frame.top + 6, label, "limit-word", "end" if on_left else "start"
            )
            label_end = begin + LETTER * len(label)
        for number, mean in enumerate(talk.means):
            begin, end = (min(max(frame.left + at * step, frame.left), frame.right) for at in mean[:2])
            fell = number == len(talk.means) - 1 and mean.rate < talk.means[0].rate
            drawing.line(begin, y(mean.rate), end, y(mean.rate), "span below" if fell else "span")


def _steps(limit: Floats, y: Scale, step: float) -> str:
    """Return the outline of a limit as steps, one per week, with gaps where it is not known."""
    return "".join(
        f"M{_PANEL_LEFT + i * step:.1f},{y(value):.1f}h{step:.1f}"
        for i, value in enumerate(limit.tolist())
        if value == value
    )


def _joined(centres: Sequence[float], rate: Floats, y: Scale) -> str:
    """Return the outline of a line through the weeks with work, with gaps over the others."""
    points, drawing = [], False
    for x, value in zip(centres, rate.tolist(), strict=True):
        if value == value:
            points.append(f"{'L' if drawing else 'M'}{x:.1f},{y(value):.1f}")
        drawing = value == value
    return "".join(points)


def _describe(panel: ProgressPanel, weeks: Sequence[str]) -> str:
    count = int(np.isfinite(panel.rate).sum())
    beyond = [name for name, signal in zip(weeks, panel.signal.tolist(), strict=True) if signal]
    signals = f"Beyond the limits: {', '.join(beyond)}." if beyond else "No week is beyond the limits."
    talks = "".join(f" Coached {talk.day}." for talk in panel.talks)
    around = f"{count} weeks with work, around {format_number(panel.centre)} per hour."
    return f"{panel.name}: {around} {signals}{talks}"
