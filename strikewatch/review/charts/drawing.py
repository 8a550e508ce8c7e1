"""The parts of every chart: SVG elements, scales, ticks and traces."""

import itertools
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape
from typing import Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from strikewatch.core.alert import Priority
from strikewatch.core.batch import Floats, Ints
from strikewatch.core.instant import SECOND, Instant

WIDTH: Final = 380.0
"""Width in units: readable on a phone of 360 pixels, and fine enough for two charts side by side."""
LETTER: Final = 5.9
"""Approximate width of a character in units."""

Shape = Literal["dot", "diamond", "up", "down", "square"]
Standing = Literal["above", "below", "within", "little"]
"""Result of a comparison: above, below, within the limits, or too little data."""

SHAPES: Final[dict[Standing, Shape]] = {"above": "up", "below": "down", "within": "dot", "little": "square"}
OUTLINES: Final[dict[Shape, str]] = {
    "dot": "M-4,0a4,4 0 1 0 8,0a4,4 0 1 0 -8,0Z",
    "diamond": "M0,-5.5 5.5,0 0,5.5 -5.5,0Z",
    "up": "M0,-6 6,5 -6,5Z",
    "down": "M0,6 6,-5 -6,-5Z",
    "square": "M-3.6,-3.6H3.6V3.6H-3.6Z",
}
BY_PRIORITY: Final[dict[Priority, Shape]] = {"high": "up", "medium": "diamond", "low": "dot"}
"""Shape of a fault's mark in all charts."""
_STEPS_S: Final = (
    *(1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800),
    *(3600, 7200, 10_800, 21_600, 43_200, 86_400),
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values in [low, high] to units from `begin` to `end`; values beyond are clipped."""

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.begin + share * (self.end - self.begin)

    def of(self, values: Floats) -> Floats:
        """Map values [n] to units [n]."""
        share = (np.clip(values, self.low, self.high) - self.low) / (self.high - self.low)
        return self.begin + share * (self.end - self.begin)

    def ticks(self, most: int) -> list[float]:
        """Return round values within the scale, about `most` at most."""
        raw = (self.high - self.low) / most
        size = 10.0 ** math.floor(math.log10(raw))
        step = next(size * nice for nice in (1, 2, 2.5, 5, 10) if size * nice >= raw * 0.999)
        first = math.ceil(self.low / step - 1e-9)
        return [number * step for number in range(first, math.floor(self.high / step + 1e-9) + 1)]


class Frame(NamedTuple):
    """Edges of a chart's plotting area, in units."""

    left: float
    right: float
    top: float
    bottom: float


class Drawing:
    """Builds one SVG. `ident` begins every id in it; `title` and `description` are its text alternative."""

    def __init__(self, ident: str, height: float, title: str, description: str, width: float = WIDTH) -> None:
        # characters not allowed in an id are replaced by their code, so that different names stay different
        self._ident = re.sub(r"[^A-Za-z0-9-]", lambda match: f"_{ord(match[0]):x}_", ident)
        self._head = (
            f'<svg class="picture" role="img" viewBox="0 0 {_n(width)} {_n(height)}" '
            f'aria-labelledby="{self._ident}-t" aria-describedby="{self._ident}-d">'
            f'<title id="{self._ident}-t">{escape(title)}</title>'
            f'<desc id="{self._ident}-d">{escape(description)}</desc>'
        )
        self._parts: list[str] = []

    def rect(self, x: float, y: float, width: float, height: float, style: str) -> None:
        self._parts.append(
            f'<rect class="{style}" x="{_n(x)}" y="{_n(y)}" width="{_n(max(0.0, width))}" height="{_n(height)}"/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        self.path(f"M{_n(x1)},{_n(y1)}L{_n(x2)},{_n(y2)}", style)

    def path(self, outline: str, style: str) -> None:
        if outline:
            self._parts.append(f'<path class="{style}" d="{outline}"/>')

    def text(self, x: float, y: float, label: str, style: str = "", anchor: str = "start") -> None:
        aligned = "" if anchor == "start" else f' text-anchor="{anchor}"'
        style_attribute = f' class="{style}"' if style else ""
        self._parts.append(f'<text{style_attribute} x="{_n(x)}" y="{_n(y)}"{aligned}>{escape(label)}</text>')

    def mark(self, x: float, y: float, shape: Shape, style: str, tooltip: str = "") -> None:
        """Add a mark with an optional tooltip."""
        inside = f"<title>{escape(tooltip)}</title>" if tooltip else ""
        self._parts.append(
            f'<path class="mark {style}" transform="translate({_n(x)} {_n(y)})" d="{OUTLINES[shape]}">{inside}</path>'
        )

    def hatched(self, x: float, y: float, width: float, height: float, style: str) -> None:
        """Add a hatched box of a style class."""
        begin = math.floor((x - height) / 6) * 6
        strokes = []
        for base in np.arange(begin, x + width, 6.0).tolist():
            low, high = max(base, x), min(base + height, x + width)
            if high > low:
                strokes.append(
                    f"M{_n(low)},{_n(y + height - (low - base))}L{_n(high)},{_n(y + height - (high - base))}"
                )
        self.path("".join(strokes), style)

    def value_axis(
        self, frame: Frame, y: Scale, most: int, form: Callable[[float], str] | None = None
    ) -> None:
        """Add horizontal grid lines with their values on the left."""
        for value in y.ticks(most):
            self.line(frame.left, y(value), frame.right, y(value), "grid")
            self.text(frame.left - 5, y(value) + 4, (form or format_number)(value), "soft", "end")

    def bottom_axis(self, frame: Frame, x: Scale, most: int) -> None:
        """Add a line at the bottom with ticks and their values."""
        for value in x.ticks(most):
            self.line(x(value), frame.bottom, x(value), frame.bottom + 4, "axis")
            self.text(x(value), frame.bottom + 16, format_number(value), "soft", "middle")
        self.line(frame.left, frame.bottom, frame.right, frame.bottom, "axis")

    def time_axis(self, frame: Frame, begin: Instant, end: Instant, zone: ZoneInfo, most: int) -> None:
        """Add local times at the bottom; those too close to an edge have no label."""
        x = time_scale(begin, end, frame.left, frame.right)
        for instant_ns, label in time_ticks(begin, end, zone, most):
            position = float(x(np.array([instant_ns]))[0])
            self.line(position, frame.bottom, position, frame.bottom + 4, "axis")
            if frame.left + 13 < position < frame.right - 13:
                self.text(position, frame.bottom + 15, label, "soft", "middle")

    def svg(self) -> str:
        return f"{self._head}{''.join(self._parts)}</svg>"


def trace(x: Floats, y: Floats, gap: float) -> str:
    """Return the outline of a line through points [n], x rising, with gaps over unknown values and steps over `gap`.

    Of points closer than a unit, the lowest and highest per unit are kept, so that no spike is lost.
    """
    known = np.isfinite(y)
    x, y = x[known], y[known]
    if not len(x):
        return ""
    if len(x) > 2 * (x[-1] - x[0]) > 0:
        x, y = _thinned(x, y)
    lifted = np.diff(x, prepend=x[0] - gap - 1) > gap
    pen = np.where(lifted, "M", "L").tolist()
    points = zip(pen, x.tolist(), y.tolist(), strict=True)
    return "".join(f"{down}{_n(a)},{_n(b)}" for down, a, b in points)


def _thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    column = np.floor(x)
    begins = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    low, high = np.minimum.reduceat(y, begins), np.maximum.reduceat(y, begins)
    first, last = x[begins], x[np.append(begins[1:], len(x)) - 1]
    return np.stack([first, last], axis=1).ravel(), np.stack([low, high], axis=1).ravel()


def time_scale(begin: Instant, end: Instant, left: float, right: float) -> Callable[[Ints], Floats]:
    """Return a function from instants [n] to horizontal units [n]; instants beyond are clipped."""
    scale = Scale(0.0, (end - begin) / SECOND, left, right)
    return lambda instant_ns: scale.of((instant_ns - begin) / SECOND)


def time_ticks(begin: Instant, end: Instant, zone: ZoneInfo, most: int = 6) -> list[tuple[Instant, str]]:
    """Return round local times within [begin, end], each as an instant with its label."""
    step_s = next((step for step in _STEPS_S if (end - begin) / SECOND / step <= most), _STEPS_S[-1])
    offset = local_time(begin, zone).utcoffset() or timedelta()
    shift = round(offset.total_seconds()) * SECOND
    step = step_s * SECOND
    first = -(-(begin + shift) // step) * step - shift
    form = "%H:%M:%S" if step_s < 60 else "%H:%M" if step_s < 86_400 else "%d %b"
    return [
        (instant_ns, f"{local_time(instant_ns, zone):{form}}") for instant_ns in range(first, end + 1, step)
    ]


def local_time(instant_ns: Instant, zone: ZoneInfo) -> datetime:
    """Return an instant in the site's time zone."""
    return (_EPOCH + timedelta(microseconds=instant_ns // 1000)).astimezone(zone)


def shorten(name: str, letters: int) -> str:
    """Shorten a name to at most `letters` characters by leaving out its middle."""
    if len(name) <= letters:
        return name
    tail = (letters - 1) // 3
    return f"{name[: letters - 1 - tail]}…{name[len(name) - tail :]}"


def format_number(value: float) -> str:
    """Format a number with three significant digits, or two below 1; a dash for NaN."""
    if value != value:
        return "–"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    if abs(value) >= 1:
        return f"{value:.3g}"
    return f"{value:.2g}" if abs(value) >= 0.0095 else f"{value:.3f}" if value else "0"


def spread_labels(positions: Sequence[float], distance: float, low: float, high: float) -> list[float]:
    """Move labels [n] into [low, high] and at least `distance` apart if there is room; their order stays."""
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    distance = min(distance, (high - low) / max(1, len(positions) - 1))
    placed = [min(max(value, low), high) for value in positions]
    for before, i in itertools.pairwise(order):
        placed[i] = max(placed[i], placed[before] + distance)
    for after, i in itertools.pairwise(order[::-1]):
        placed[after] = min(placed[after], high)
        placed[i] = min(placed[i], placed[after] - distance)
    return placed


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
