"""What a trial is: something is done to the processor, something had to hold, and figures say how it went."""

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

Figures = Mapping[str, float | str]


class Line(NamedTuple):
    """One line of the table.

    `done`: what was done in this case; `figures`: what was counted or measured, by name (units in the names);
    `broken`: in words, each thing that had to hold and did not. A trial that held has none.
    """

    done: str
    figures: Figures
    broken: tuple[str, ...] = ()


class Trial(NamedTuple):
    """`run(folder, scale)` tries in an empty folder and yields its lines as they come.

    `scale` is 1 for the whole trial and less for a part of it; `short` is that of the usual test run.
    """

    name: str
    holds: str
    """What had to hold, in a sentence."""
    run: Callable[[Path, float], Iterable[Line]]
    short: float


def broken(**counts: float) -> tuple[str, ...]:
    """Of counts that had to be 0, those that were not, in words."""
    return tuple(f"{n:g} {name.replace('_', ' ')}" for name, n in counts.items() if n)
