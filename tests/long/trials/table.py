"""Trials run one after the other, in a table: what was done, the figures, whether what had to hold did."""

import tempfile
import traceback
from collections.abc import Callable, Iterable
from pathlib import Path

from tests.long.trials.trial import Figures, Line, Trial

WIDE = 110


def table(trials: Iterable[Trial], scale: float, say: Callable[[str], None]) -> bool:
    """Run them, saying each line as it comes; whether everything held. A trial that fails has not held."""
    held = True
    for trial in trials:
        say(f"\n{trial.name}: {trial.holds}")
        with tempfile.TemporaryDirectory() as folder:
            try:
                for line in trial.run(Path(folder), scale):
                    say(shown(line))
                    held &= not line.broken
            except Exception:  # noqa: BLE001 - whatever it is, the other trials are run too
                say(traceback.format_exc())
                say("  NOT HELD  it ended with an error")
                held = False
    return held


def shown(line: Line) -> str:
    """As a few lines of text."""
    verdict = "held    " if not line.broken else "NOT HELD"
    text = [f"  {verdict}  {line.done}"]
    row = ""
    for one in _figures(line.figures):
        if row and len(row) + len(one) > WIDE:
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
