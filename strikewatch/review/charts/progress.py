"""Draw an operator's progress: rates by week between control limits, one panel per fault, with the talks marked."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.review.charts.drawing import LETTER, WIDTH, Drawing, Frame, Scale, format_number, shorten

_LEFT: Final = 34.0
_RIGHT: Final = WIDTH - 8.0
_HEAD: Final = 18.0
"""Height of a panel's heading."""
_PLOT: Final = 46.0
_GAP: Final = 8.0
_LABEL: Final = 44.0
"""Least distance between the names of weeks."""


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
    height = (_HEAD + _PLOT + _GAP) * len(panels) + 12.0
    drawing = Drawing(ident, height, title, " ".join(_describe(panel, weeks) for panel in panels))
    step = (_RIGHT - _LEFT) / max(len(weeks), 1)
    for k, panel in enumerate(panels):
        top = (_HEAD + _PLOT + _GAP) * k + _HEAD
        _draw_panel(drawing, panel, weeks, Frame(_LEFT, _RIGHT, top, top + _PLOT), step)
    every = max(1, -(-len(weeks) * int(_LABEL) // int(_RIGHT - _LEFT)))
    for i in range(len(weeks) - 1, -1, -every):
        x, name = _LEFT + (i + 0.5) * step, weeks[i]
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
        f"M{_LEFT + i * step:.1f},{y(value):.1f}h{step:.1f}"
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
