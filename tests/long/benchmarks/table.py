"""Medians and the table of ratios."""

import statistics
import time
from collections.abc import Callable
from typing import NamedTuple

from rich.console import Console
from rich.table import Table

TRIALS = 5


class Line(NamedTuple):
    """One measured ratio: description, what is divided by what, the ratio, and the goal."""

    what: str
    ratio_of: str
    ratio: float
    goal: str


def median_s(*timed: Callable[[], object], trials: int = TRIALS) -> list[float]:
    """Return the median of each, s; measured in turns, so that machine load affects all alike, after a warm-up turn."""
    seconds: list[list[float]] = [[] for _ in timed]
    for trial in range(trials + 1):
        for one, taken in zip(timed, seconds, strict=True):
            start = time.perf_counter()
            one()
            if trial:
                taken.append(time.perf_counter() - start)
    return [statistics.median(taken) for taken in seconds]


def show(title: str, lines: list[Line]) -> None:
    table = Table(title=title, title_justify="left", box=None, header_style="bold")
    for name in ("measured", "ratio of", "ratio", "goal"):
        table.add_column(name, justify="right" if name == "ratio" else "left")
    for line in lines:
        table.add_row(line.what, line.ratio_of, f"{line.ratio:.3g}", line.goal)
    Console(width=120, highlight=False).print(table)
