"""Draw a sweep: faults per firing hour against one setting, with exact limits and the current value."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import WIDTH, Drawing, Scale, Shape, format_number

_LEFT: Final = 40.0
_RIGHT: Final = WIDTH - 12.0
_TOP: Final = 34.0
_BOTTOM: Final = 200.0
_SHAPES: Final[tuple[Shape, ...]] = ("dot", "diamond", "up", "square", "down")


@dataclass(frozen=True, slots=True)
class Line:
    """One fault: its rate per firing hour [n] at each value, with limits [n]."""

    name: str
    rate: Floats
    lower: Floats
    upper: Floats


def draw(ident: str, setting: str, values: Floats, now: float, lines: Sequence[Line], title: str) -> str:
    """Return the chart as SVG; values [n] must rise, `now` is the current value."""
    description = "; ".join(
        f"{line.name}: {format_number(float(line.rate[0]))} an hour at {format_number(float(values[0]))}, "
        f"{format_number(float(line.rate[-1]))} at {format_number(float(values[-1]))}"
        for line in lines
    )
    sheet = Drawing(ident, 246, title, description)
    high = max([float(np.nanmax(line.upper, initial=0.0)) for line in lines] + [0.1])
    x = Scale(
        float(values[0]), float(values[-1]) if values[-1] > values[0] else float(values[0]) + 1, _LEFT, _RIGHT
    )
    y = Scale(0.0, 1.05 * high, _BOTTOM, _TOP)
    for value in y.ticks(4):
        sheet.line(_LEFT, y(value), _RIGHT, y(value), "grid")
        sheet.text(_LEFT - 5, y(value) + 4, format_number(value), "soft", "end")
    if values[0] <= now <= values[-1]:
        sheet.line(x(now), _TOP, x(now), _BOTTOM, "limit")
        sheet.text(x(now), _TOP - 4, f"now {format_number(now)}", "soft", "middle")
    for k, line in enumerate(lines):
        shape = _SHAPES[k % len(_SHAPES)]
        points = list(zip(values.tolist(), line.rate.tolist(), strict=True))
        sheet.path("M" + "L".join(f"{x(a):.1f},{y(b):.1f}" for a, b in points), "track")
        for a, low, up in zip(values.tolist(), line.lower.tolist(), line.upper.tolist(), strict=True):
            sheet.line(x(a), y(low), x(a), y(up), "span")
        for a, b in points:
            sheet.mark(
                x(a), y(b), shape, "within", f"{line.name} at {format_number(a)}: {format_number(b)} an hour"
            )
        sheet.mark(_LEFT + 6, 10 + 12 * k, shape, "within")
        sheet.text(_LEFT + 16, 14 + 12 * k, line.name)
    for value in x.ticks(6):
        sheet.line(x(value), _BOTTOM, x(value), _BOTTOM + 4, "axis")
        sheet.text(x(value), _BOTTOM + 16, format_number(value), "soft", "middle")
    sheet.text((_LEFT + _RIGHT) / 2, _BOTTOM + 34, setting, "soft", "middle")
    sheet.text(_RIGHT, 14, "faults per firing hour, exact 95 % limits", "soft", "end")
    return sheet.svg()
