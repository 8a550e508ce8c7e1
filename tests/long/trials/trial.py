"""What a trial is, and the lines of the table of results."""

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

Figures = Mapping[str, float | str]


class Line(NamedTuple):
    """One line of the table.

    `done`: what was done; `figures`: what was counted or measured, by name (units in the names); `broken`: each
    expectation that did not hold. Empty if all held.
    """

    done: str
    figures: Figures
    broken: tuple[str, ...] = ()


Part = Callable[[Path], Iterable[Line]]
"""Works in an empty folder and yields lines of the table as they come."""


class Trial(NamedTuple):
    """A trial in parts that do not depend on each other, so that several can run at once.

    `parts(scale)` returns them by name. `scale` is 1 for the whole trial and less for a part of it; `short` is that of
    the usual test run. `alone`: it measures delays, so that nothing else may run beside it.
    """

    name: str
    holds: str
    """What must hold, in a sentence."""
    parts: Callable[[float], Mapping[str, Part]]
    short: float
    alone: bool = False


def one_line(folder: Path, run: Callable[[Path], Line]) -> Iterable[Line]:
    """Run what makes a single line."""
    yield run(folder)


def broken(**counts: float) -> tuple[str, ...]:
    """Return a description of each count that must be 0 and is not."""
    return tuple(f"{n:g} {name.replace('_', ' ')}" for name, n in counts.items() if n)


MAX_WIDTH = 110


def format_line(line: Line) -> str:
    """Return a line of the table as text."""
    verdict = "held    " if not line.broken else "NOT HELD"
    text = [f"  {verdict}  {line.done}"]
    row = ""
    for one in _figures(line.figures):
        if row and len(row) + len(one) > MAX_WIDTH:
            text.append(row)
            row = ""
        row += (", " if row else " " * 12) + one
    text.append(row)
    text += [f"{'':12}! {what}" for what in line.broken]
    return "\n".join(one for one in text if one.strip())


def _figures(figures: Figures) -> Iterable[str]:
    for name, value in figures.items():
        number = value if isinstance(value, str) else f"{value:,}" if value == int(value) else f"{value:,.4g}"
        yield f"{name.replace('_', ' ')} {number}"
