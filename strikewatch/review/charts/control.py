"""Draw a control chart over weeks: each week's rate between limits that are wider for fewer hours (u chart).

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3. The caller computes the limits.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import WIDTH, Drawing, Scale, format_number

_LEFT: Final = 40.0
_RIGHT: Final = WIDTH - 10.0
_TOP: Final = 22.0
_BOTTOM: Final = 130.0


@dataclass(frozen=True, slots=True)
class Control:
    """Weeks [n] by `names`, with rates per hour (NaN without work), their limits, and which are beyond them.

    `centre`: the rate between the limits; NaN if there is none yet.
    """

    names: Sequence[str]
    rate: Floats
    lower: Floats
    upper: Floats
    centre: float
    signal: npt.NDArray[np.bool_]


def draw(ident: str, control: Control, title: str) -> str:
    """Return the chart as SVG."""
    n = len(control.names)
    sheet = Drawing(ident, 150, title, _description(control))
    known = np.concatenate([control.rate, control.upper])
    known = known[np.isfinite(known)]
    y = Scale(0.0, max(1.1 * float(np.max(known, initial=0.0)), 0.1), _BOTTOM, _TOP)
    step = (_RIGHT - _LEFT) / max(n, 1)
    centres = [_LEFT + (i + 0.5) * step for i in range(n)]
    for value in y.ticks(3):
        sheet.line(_LEFT, y(value), _RIGHT, y(value), "grid")
        sheet.text(_LEFT - 5, y(value) + 4, format_number(value), "soft", "end")
    sheet.line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis")
    sheet.text(4, 11, "Faults per hour")
    sheet.text(_RIGHT, 11, "steps: control limits; triangle: beyond them", "soft", "end")
    for limit in (control.lower, control.upper):
        sheet.path(_steps(limit, y, step), "inner")
    if control.centre == control.centre:
        sheet.line(_LEFT, y(control.centre), _RIGHT, y(control.centre), "mean")
    sheet.path(_joined(centres, control.rate, y), "track")
    for i, rate in enumerate(control.rate.tolist()):
        if rate == rate:
            beyond = bool(control.signal[i])
            above = rate >= control.centre
            shape, look = (("up", "above") if above else ("down", "below")) if beyond else ("dot", "within")
            tooltip = f"{control.names[i]}: {format_number(rate)} per hour"
            sheet.mark(centres[i], y(rate), shape, look, tooltip)  # type: ignore[arg-type]  # one of SHAPES' values
    every = max(1, -(-n * 44 // int(_RIGHT - _LEFT)))
    for i in range(n - 1, -1, -every):
        sheet.text(centres[i], _BOTTOM + 15, control.names[i], "soft", "middle")
    return sheet.svg()


def _steps(limit: Floats, y: Scale, step: float) -> str:
    """Return the outline of a limit as steps, one per week, with gaps where it is not known."""
    return "".join(
        f"M{_LEFT + i * step:.1f},{y(value):.1f}h{step:.1f}"
        for i, value in enumerate(limit.tolist())
        if value == value
    )


def _joined(centres: Sequence[float], rate: Floats, y: Scale) -> str:
    """Return the outline of a line through the weeks with work, with gaps over the others."""
    points, down = [], False
    for x, value in zip(centres, rate.tolist(), strict=True):
        if value == value:
            points.append(f"{'L' if down else 'M'}{x:.1f},{y(value):.1f}")
        down = value == value
    return "".join(points)


def _description(control: Control) -> str:
    weeks = int(np.isfinite(control.rate).sum())
    beyond = [name for name, signal in zip(control.names, control.signal.tolist(), strict=True) if signal]
    said = f"Beyond the limits: {', '.join(beyond)}." if beyond else "No week is beyond the limits."
    return f"{weeks} weeks with work, around {format_number(control.centre)} per hour. {said}"
