"""Charts over time of one hammer: the timeline of a shift, and the time around a fault.

A timeline shows the share of firing, the oil with its limit, faults as marks, and times without rows hatched. The time
around a fault is shown with firing, supply pressure with the hammer's baseline, oil with its limit, and the firing
seconds in the current spot with their limit.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
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
    shorten,
    time_scale,
    trace,
)

_TIMELINE: Final = Frame(36.0, WIDTH - 8.0, 34.0, 96.0)
_MARKS_Y: Final = 22.0
_OIL_HOLD_S: Final = 60.0


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
    drawing = Drawing(ident, 118, title, _describe_timeline(shift, zone))
    x = time_scale(shift.begin, shift.end, _TIMELINE.left, _TIMELINE.right)
    width, height = _TIMELINE.right - _TIMELINE.left, _TIMELINE.bottom - _TIMELINE.top
    drawing.rect(_TIMELINE.left, _TIMELINE.top, width, height, "panel")
    for start, stop in shift.silent:
        a, b = x(np.array([start, stop])).tolist()
        drawing.hatched(a, _TIMELINE.top, b - a, height, "gap-hatch")
    drawing.path(_bars(shift), "fired")
    at, oil_c = shift.oil_c
    known = oil_c[np.isfinite(oil_c)]
    high = max(float(known.max()) if len(known) else 0.0, shift.limit_c) + 6
    y = Scale(min(20.0, float(known.min()) if len(known) else 20.0), high, _TIMELINE.bottom, _TIMELINE.top)
    for value in y.ticks(3):
        drawing.text(_TIMELINE.left - 4, y(value) + 4, format_number(value), "soft", "end")
    drawing.line(_TIMELINE.left, y(shift.limit_c), _TIMELINE.right, y(shift.limit_c), "limit")
    gap = _OIL_HOLD_S * width / ((shift.end - shift.begin) / SECOND)
    drawing.path(trace(x(at), y.of(oil_c), max(gap, 1.5)), "oil")
    drawing.text(4, 10, f"Bars: share fired; line: oil °C, limit {format_number(shift.limit_c)}", "soft")
    for mark in shift.marks:
        if shift.begin <= mark.at < shift.end:
            position = float(x(np.array([mark.at]))[0])
            drawing.mark(position, _MARKS_Y, BY_PRIORITY[mark.priority], "fault", mark.tooltip)
    drawing.time_axis(_TIMELINE, shift.begin, shift.end, zone, 6)
    return drawing.svg()


def _bars(shift: Timeline) -> str:
    """Return the share of firing in each two units of width, as one outline."""
    n = int((_TIMELINE.right - _TIMELINE.left) / 2)
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
    heights = np.diff(cumulative) / np.diff(edges) * (_TIMELINE.bottom - _TIMELINE.top - 6)
    step = (_TIMELINE.right - _TIMELINE.left) / n
    return "".join(
        f"M{_TIMELINE.left + i * step:.1f},{_TIMELINE.bottom:g}v-{height:.1f}h{step:.1f}v{height:.1f}Z"
        for i, height in enumerate(heights.tolist())
        if height > 0.05
    )


def _describe_timeline(shift: Timeline, zone: ZoneInfo) -> str:
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


_LEFT: Final = 36.0
_RIGHT: Final = WIDTH - 8.0
_HOLD_S: Final = {"pressure": 2.0, "oil": _OIL_HOLD_S, "spot": 1.5}
"""Traces have a gap over longer times without a value."""
_PANEL_HEIGHT: Final = 70.0
"""Height of an additional panel with its name."""
_BOLD: Final = 6.4
"""Approximate width of a bold character."""
_NOTHING: Final = (np.empty(0, np.int64), np.empty(0))


@dataclass(frozen=True, slots=True)
class Panel:
    """Traces of one kind, each (instants [n], values [n]), with their limits; with gaps over times without a value
    longer than `hold_s`."""

    name: str
    series: Sequence[tuple[Ints, Floats]]
    limits: Sequence[float]
    hold_s: float


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Data of a hammer in [begin, end), instants in ns.

    Series are (instants [n], values [n]) with NaN where not known. `fired`: the bouts. `loaded_bar`: the hammer's
    level under load as (start, end, bar). `suspected`: intervals of suspected blank firing. `limit_c` and `limit_s`:
    limits of the oil and of the spot. Without `spot_s` there is no panel of the spot; `panels` come last. `name`,
    `onset` and `cleared` are those of the fault.
    """

    begin: Instant
    end: Instant
    name: str
    onset: Instant
    cleared: Instant | None
    fired: Sequence[tuple[Instant, Instant]] = ()
    pressure_bar: tuple[Ints, Floats] = _NOTHING
    loaded_bar: Sequence[tuple[Instant, Instant, float]] = ()
    oil_c: tuple[Ints, Floats] = _NOTHING
    spot_s: tuple[Ints, Floats] = _NOTHING
    limit_c: float = 80.0
    limit_s: float = 15.0
    suspected: Sequence[tuple[Instant, Instant]] = field(default_factory=tuple)
    panels: Sequence[Panel] = ()


def draw_excerpt(ident: str, excerpt: Excerpt, zone: ZoneInfo) -> str:
    """Return the chart as SVG, with times in `zone`."""
    above = 266.0 if len(excerpt.spot_s[0]) else 202.0
    bottom = above + _PANEL_HEIGHT * len(excerpt.panels)
    drawing = Drawing(ident, bottom + 20, *_describe_excerpt(excerpt, zone))
    _ExcerptChart(drawing, excerpt).draw(zone, bottom)
    return drawing.svg()


class _ExcerptChart:
    def __init__(self, drawing: Drawing, excerpt: Excerpt) -> None:
        self._drawing = drawing
        self._excerpt = excerpt
        self._x = time_scale(excerpt.begin, excerpt.end, _LEFT, _RIGHT)
        self._per_s = (_RIGHT - _LEFT) / ((excerpt.end - excerpt.begin) / SECOND)

    def draw(self, zone: ZoneInfo, bottom: float) -> None:
        excerpt, top = self._excerpt, 26.0
        until = excerpt.end if excerpt.cleared is None else excerpt.cleared
        shaded = self._at(excerpt.onset), self._at(until)
        self._drawing.rect(shaded[0], top - 8, max(1.5, shaded[1] - shaded[0]), bottom - top + 8, "shade")
        self._onset_and_end(top, bottom)
        self._firing(top + 8)
        self._pressure(top + 42, 72)
        self._oil(top + 132, 40)
        if len(excerpt.spot_s[0]):
            self._spot(top + 190, 50)
        for n, panel in enumerate(reversed(excerpt.panels), 1):
            self._additional(panel, bottom - _PANEL_HEIGHT * n + 20, _PANEL_HEIGHT - 20)
        self._drawing.time_axis(Frame(_LEFT, _RIGHT, top, bottom), excerpt.begin, excerpt.end, zone, 5)

    def _at(self, instant: Instant) -> float:
        return float(self._x(np.array([instant]))[0])

    def _firing(self, y: float) -> None:
        self._drawing.text(_LEFT, y, "Firing" if self._excerpt.fired else "Firing: none")
        for start, stop in self._excerpt.fired:
            a, b = self._at(start), self._at(stop)
            if b > a:
                self._drawing.rect(a, y + 4, b - a, 12, "fired")
        for start, stop in self._excerpt.suspected:
            a, b = self._at(start), self._at(stop)
            self._drawing.hatched(a, y + 4, b - a, 12, "fired-hatch")
        self._drawing.line(_LEFT, y + 16, _RIGHT, y + 16, "grid")

    def _pressure(self, y: float, height: float) -> None:
        at, bar = self._excerpt.pressure_bar
        levels = [level for _, _, level in self._excerpt.loaded_bar if level == level]
        known = bar[np.isfinite(bar)]
        top = max([*levels, float(known.max()) if len(known) else 0.0, 50.0]) * 1.06
        name = "Supply pressure, bar" + ("; dashed: this hammer's baseline" if levels else "")
        scale = self._panel(y, height, name, Scale(0.0, top, y + height, y), len(known))
        self._drawing.path(trace(self._x(at), scale.of(bar), _HOLD_S["pressure"] * self._per_s), "pressure")
        for start, stop, level in self._excerpt.loaded_bar:
            if level == level:
                a, b = self._at(start), self._at(stop)
                for style in ("baseline-edge", "baseline"):
                    self._drawing.line(a, scale(level), max(b, a + 4), scale(level), style)

    def _oil(self, y: float, height: float) -> None:
        at, oil_c = self._excerpt.oil_c
        known = oil_c[np.isfinite(oil_c)]
        low = min([float(known.min()) if len(known) else 60.0, self._excerpt.limit_c - 10])
        high = max([float(known.max()) if len(known) else 60.0, self._excerpt.limit_c]) + 3
        scale = self._panel(y, height, "Oil, °C", Scale(low, high, y + height, y), len(known), 2)
        self._limit(scale(self._excerpt.limit_c), f"limit {format_number(self._excerpt.limit_c)} °C")
        self._drawing.path(trace(self._x(at), scale.of(oil_c), _HOLD_S["oil"] * self._per_s), "oil")

    def _spot(self, y: float, height: float) -> None:
        at, spot_s = self._excerpt.spot_s
        known = spot_s[np.isfinite(spot_s)]
        high = max(float(known.max()) if len(known) else 0.0, self._excerpt.limit_s) * 1.15
        scale = self._panel(
            y, height, "Firing in one spot, s", Scale(0.0, high, y + height, y), len(known), 3
        )
        self._limit(scale(self._excerpt.limit_s), f"limit {format_number(self._excerpt.limit_s)} s")
        self._drawing.path(trace(self._x(at), scale.of(spot_s), _HOLD_S["spot"] * self._per_s), "spot")

    def _additional(self, panel: Panel, y: float, height: float) -> None:
        values = np.concatenate([values[np.isfinite(values)] for _, values in panel.series])
        edges = [*panel.limits, *((values.min(), values.max()) if len(values) else ()), 0.0]
        spare = 0.08 * (max(edges) - min(edges) or 1.0)
        scale = Scale(min(edges) - spare, max(edges) + spare, y + height, y)
        scale = self._panel(y, height, panel.name, scale, len(values), 2)
        for limit in panel.limits:
            self._limit(scale(limit), f"limit {format_number(limit)}")
        for at, each in panel.series:
            self._drawing.path(trace(self._x(at), scale.of(each), panel.hold_s * self._per_s), "spot")

    def _panel(self, y: float, height: float, name: str, scale: Scale, known: int, most: int = 3) -> Scale:
        self._drawing.text(_LEFT, y - 4, name if known else f"{name}: not sampled")
        for value in scale.ticks(most) if known else ():
            self._drawing.line(_LEFT, scale(value), _RIGHT, scale(value), "grid")
            self._drawing.text(_LEFT - 4, scale(value) + 4, format_number(value), "soft", "end")
        self._drawing.line(_LEFT, y, _LEFT, y + height, "axis")
        return scale

    def _limit(self, y: float, label: str) -> None:
        self._drawing.line(_LEFT, y, _RIGHT, y, "limit")
        self._drawing.text(_RIGHT, y - 3, label, "limit-word", "end")

    def _onset_and_end(self, top: float, bottom: float) -> None:
        excerpt = self._excerpt
        x = self._at(excerpt.onset)
        self._drawing.line(x, top - 10, x, bottom, "moment")
        right = x > (_LEFT + _RIGHT) / 2
        name = shorten(excerpt.name, int(((x - _LEFT) if right else (_RIGHT - x)) / _BOLD))
        self._drawing.text(x + (-4 if right else 4), top - 12, name, "strong", "end" if right else "start")
        if excerpt.cleared is not None and excerpt.begin < excerpt.cleared < excerpt.end:
            ended_x = self._at(excerpt.cleared)
            self._drawing.line(ended_x, top - 4, ended_x, bottom, "moment")
            if not right and ended_x - x > 11 + 6 * len(excerpt.name):
                self._drawing.text(ended_x, top - 12, "ended", "soft", "middle")


def _describe_excerpt(excerpt: Excerpt, zone: ZoneInfo) -> tuple[str, str]:
    title = f"{excerpt.name} at {local_time(excerpt.onset, zone):%H:%M:%S}"
    fired_s = sum(max(0, min(b, excerpt.end) - max(a, excerpt.begin)) for a, b in excerpt.fired) / SECOND
    sentences = [f"{(excerpt.end - excerpt.begin) / SECOND:.0f} s, {fired_s:.0f} s of it firing."]
    for name, unit, (_, values) in (
        ("Pressure", "bar", excerpt.pressure_bar),
        ("Oil", "°C", excerpt.oil_c),
        ("Firing in one spot", "s", excerpt.spot_s),
    ):
        known = values[np.isfinite(values)]
        if len(known):
            sentences.append(
                f"{name} {format_number(float(known.min()))} to {format_number(float(known.max()))} {unit}."
            )
    for panel in excerpt.panels:
        known = np.concatenate([values[np.isfinite(values)] for _, values in panel.series])
        if len(known):
            limits = f"; limits {', '.join(map(format_number, panel.limits))}" if panel.limits else ""
            sentences.append(
                f"{panel.name}: {format_number(float(known.min()))} to {format_number(float(known.max()))}{limits}."
            )
    sentences.append(f"Limits: {format_number(excerpt.limit_s)} s, {format_number(excerpt.limit_c)} °C.")
    return title, " ".join(sentences)
