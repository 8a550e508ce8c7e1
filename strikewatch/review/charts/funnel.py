"""Draw a funnel plot: rates against exposure, with the prediction limits around the site's rate.

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
    Scale,
    Standing,
    format_number,
    shorten,
    spread_labels,
    trace,
)

_LEFT: Final = 40.0
_RIGHT: Final = WIDTH - 10.0
_TOP: Final = 22.0
_BOTTOM: Final = 214.0
_FEW: Final = 5
"""Up to this many points are all named; of more, only those that stand out."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """Points [n] and limits [m]; exposure in `hours`, rates per hour. A point without a name stays unnamed.

    `inner` and `outer` are (lower [m], upper [m]) over `at_h` [m], named by `inner_words` and `outer_words`.
    """

    names: Sequence[str]
    hours: Floats
    rate: Floats
    standing: Sequence[Standing]
    expected: float
    at_h: Floats
    inner: tuple[Floats, Floats]
    outer: tuple[Floats, Floats]
    inner_words: str = "95 %"
    outer_words: str = "99.8 %"
    exposure: str = "Firing hours"


def draw(ident: str, funnel: Funnel, title: str) -> str:
    """Return the plot as SVG."""
    sheet = Drawing(ident, 264, title, _description(funnel))
    top = max([1.25 * float(np.max(funnel.rate, initial=0.0)), 2.5 * funnel.expected, 0.1])
    x = Scale(0.0, max(1.06 * float(np.max(funnel.hours, initial=0.0)), 0.1), _LEFT, _RIGHT)
    y = Scale(0.0, top, _BOTTOM, _TOP)
    for value in y.ticks(4):
        sheet.line(_LEFT, y(value), _RIGHT, y(value), "grid")
        sheet.text(_LEFT - 5, y(value) + 4, format_number(value), "soft", "end")
    for value in x.ticks(5):
        sheet.line(x(value), _BOTTOM, x(value), _BOTTOM + 4, "axis")
        sheet.text(x(value), _BOTTOM + 16, format_number(value), "soft", "middle")
    sheet.line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis")
    sheet.text(4, 11, "Faults per hour")
    sheet.text(_RIGHT, _BOTTOM + 30, funnel.exposure, anchor="end")
    inside = (funnel.at_h > 0) & (funnel.at_h <= x.high)
    across = x.of(funnel.at_h[inside])
    for look, limits in (("outer", funnel.outer), ("inner", funnel.inner)):
        for limit in limits:
            held = np.where(limit[inside] <= top, limit[inside], np.nan)
            sheet.path(trace(across, y.of(held), WIDTH), look)
    sheet.line(_LEFT, y(funnel.expected), _RIGHT, y(funnel.expected), "mean")
    _key(sheet, funnel)
    _points(sheet, funnel, x, y)
    return sheet.svg()


def _points(sheet: Drawing, funnel: Funnel, x: Scale, y: Scale) -> None:
    every = len(funnel.names) <= _FEW
    out = [every or one in ("above", "below") for one in funnel.standing]
    named = [i for i, name in enumerate(funnel.names) if name and out[i]]
    heights = spread_labels([y(float(funnel.rate[i])) for i in named], 12.0, _TOP, _BOTTOM - 8)
    for i, height in zip(named, heights, strict=True):
        words = shorten(funnel.names[i], 16)
        at = x(float(funnel.hours[i])), y(float(funnel.rate[i]))
        left = at[0] + 14 + LETTER * len(words) > _RIGHT
        beside = at[0] - 12 if left else at[0] + 12
        if abs(height - at[1]) > 4:
            sheet.line(*at, beside, height, "grid")
        look = "strong" if funnel.standing[i] in ("above", "below") else "soft"
        sheet.text(beside, height + 4, words, look, "end" if left else "start")
    for i, standing in enumerate(funnel.standing):
        name, rate, hours = funnel.names[i] or "another", float(funnel.rate[i]), float(funnel.hours[i])
        tooltip = f"{name}: {format_number(rate)} per hour over {format_number(hours)} h"
        sheet.mark(x(hours), y(rate), SHAPES[standing], standing, tooltip)


def _key(sheet: Drawing, funnel: Funnel) -> None:
    y = _BOTTOM + 44
    sheet.line(_LEFT, y - 4, _LEFT + 18, y - 4, "mean")
    sheet.text(_LEFT + 22, y, f"site {format_number(funnel.expected)} per h")
    sheet.line(_LEFT + 130, y - 4, _LEFT + 148, y - 4, "inner")
    sheet.text(_LEFT + 152, y, funnel.inner_words)
    sheet.line(_LEFT + 204, y - 4, _LEFT + 222, y - 4, "outer")
    sheet.text(_LEFT + 226, y, f"{funnel.outer_words} by chance")


def _description(funnel: Funnel) -> str:
    out = [
        f"{name or 'another'} is {standing} the limits"
        for name, standing in zip(funnel.names, funnel.standing, strict=True)
        if standing in ("above", "below")
    ]
    many = f"{len(funnel.names)} points around the site's rate of {format_number(funnel.expected)} per hour."
    return f"{many} {'; '.join(out) or 'None is outside the limits'}."
