"""What a trial is, and how trials are run one after the other and shown in a table."""

import tempfile
import traceback
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


class Trial(NamedTuple):
    """A trial: `run(folder, scale)` works in an empty folder and yields lines of the table as they come.

    `scale` is 1 for the whole trial and less for a part of it; `short` is that of the usual test run.
    """

    name: str
    holds: str
    """What must hold, in a sentence."""
    run: Callable[[Path, float], Iterable[Line]]
    short: float


def broken(**counts: float) -> tuple[str, ...]:
    """Return a description of each count that must be 0 and is not."""
    return tuple(f"{n:g} {name.replace('_', ' ')}" for name, n in counts.items() if n)


MAX_WIDTH = 110


def run_trials(trials: Iterable[Trial], scale: float, report: Callable[[str], None]) -> bool:
    """Run the trials and report each line as it comes; return whether everything held. An error counts as not held."""
    held = True
    for trial in trials:
        report(f"\n{trial.name}: {trial.holds}")
        with tempfile.TemporaryDirectory() as folder:
            try:
                for line in trial.run(Path(folder), scale):
                    report(format_line(line))
                    held &= not line.broken
            except Exception:  # noqa: BLE001 - whatever it is, the other trials are run too
                report(traceback.format_exc())
                report("  NOT HELD  it ended with an error")
                held = False
    return held


def format_line(line: Line) -> str:
    """Return a line of the table as text."""
    verdict = "held    " if not line.broken else "NOT HELD"
    text = [f"  {verdict}  {line.done}"]
    row = ""
    for one in _figures(line.figures):
        if row and len(row) + len(one) > MAX_WIDTH:
            text.append(row)
            row = ""
        row += ("  " if row else " " * 12) + one
    text.append(row)
    text += [f"{'':12}! {what}" for what in line.broken]
    return "\n".join(one for one in text if one.strip())


def _figures(figures: Figures) -> Iterable[str]:
    for name, value in figures.items():
        number = value if isinstance(value, str) else f"{value:,}" if value == int(value) else f"{value:,.4g}"
        yield f"{name.replace('_', ' ')} {number}"
