"""Medians, the table of ratios, and the comparison with what was last recorded."""

import json
import statistics
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from rich.console import Console
from rich.table import Table

TRIALS: Final = 5
MANY_TRIALS: Final = 15
"""Of what takes a fraction of a second: with these, a load that comes and goes moves the median little."""
RECORDED: Final = Path(__file__).with_name("recorded.toml")
NOISE: Final = 0.3
"""A figure that is worse than the recorded one by more than this share of it is worse, and not merely noise."""
_HEAD: Final = """\
# The figures that `python -m tests.long.benchmarks` compares with: by part and line, the ratio, and where it means
# something the CPU time of a row or message, us. Recorded on a quiet machine: python -m tests.long.benchmarks --record
"""

Figures = Mapping[str, Mapping[str, Mapping[str, float]]]
"""By part, then by name of the line: `ratio` and perhaps `cpu_us`."""


class Line(NamedTuple):
    """One measured ratio: description (`name: measured`), what is divided by what, the ratio, and the goal.

    `cpu_us`: CPU time of a row or message, us, if it means something. `reference`: it depends on the machine only, and
    is shown for comparison.
    """

    what: str
    ratio_of: str
    ratio: float
    goal: str
    cpu_us: float | None = None
    reference: bool = False

    @property
    def name(self) -> str:
        """What stays the same from run to run: the description before the colon."""
        return self.what.partition(":")[0]

    def figures(self) -> dict[str, float]:
        """Return what is recorded."""
        cpu = {} if self.cpu_us is None else {"cpu_us": self.cpu_us}
        return {"ratio": self.ratio, **cpu}

    def worse(self, recorded: Mapping[str, float]) -> bool:
        """Return whether a figure is worse than the recorded one by more than noise.

        The ratio is to be high if the goal begins with `>`, otherwise low.
        """
        if self.reference:
            return False
        ratio, cpu_us = recorded.get("ratio"), recorded.get("cpu_us")
        if self.cpu_us is not None and cpu_us is not None and self.cpu_us > cpu_us * (1 + NOISE):
            return True
        if ratio is None:
            return False
        return (
            self.ratio < ratio / (1 + NOISE)
            if self.goal.startswith(">")
            else self.ratio > ratio * (1 + NOISE)
        )


class Measured(NamedTuple):
    """Seconds that something took in each turn: by the clock, and of the processor in all threads."""

    walls_s: list[float]
    cpus_s: list[float]

    @property
    def wall_s(self) -> float:
        """The median by the clock."""
        return statistics.median(self.walls_s)

    @property
    def cpu_s(self) -> float:
        """The median of the processor."""
        return statistics.median(self.cpus_s)

    @property
    def cores(self) -> float:
        """How many cores it used, in the median."""
        return statistics.median(cpu / wall for cpu, wall in zip(self.cpus_s, self.walls_s, strict=True))

    def over(self, other: "Measured") -> float:
        """Return the median of the ratios by the clock, turn by turn: a load of the machine affects both of a turn."""
        return statistics.median(a / b for a, b in zip(self.walls_s, other.walls_s, strict=True))

    def cpu_over(self, other: "Measured") -> float:
        """Return the median of the ratios of CPU time: of two things in one thread, since waiting does not count."""
        return statistics.median(a / b for a, b in zip(self.cpus_s, other.cpus_s, strict=True))

    def alone(self, name: str, rows: int, *, reference: bool = False) -> "Line":
        """Return a line with the least CPU time of a row, ns, which says which part of a ratio has changed."""
        least_ns = 1e9 * min(self.cpus_s) / rows
        what = f"{name}: least of {len(self.walls_s)}"
        return Line(what, "ns a row", least_ns, "", reference=reference)


def measure(*timed: Callable[[], object], trials: int = TRIALS) -> list[Measured]:
    """Measure each in turns, so that machine load affects all alike, after a turn to warm up."""
    taken = [Measured([], []) for _ in timed]
    for trial in range(trials + 1):
        for one, times in zip(timed, taken, strict=True):
            start, cpu = time.perf_counter(), time.process_time()
            one()
            if trial:
                times.walls_s.append(time.perf_counter() - start)
                times.cpus_s.append(time.process_time() - cpu)
    return taken


def median_s(*timed: Callable[[], object], trials: int = TRIALS) -> list[float]:
    """Return the median of each by the clock, s, as `measure` does."""
    return [times.wall_s for times in measure(*timed, trials=trials)]


def read_recorded() -> Figures:
    """Return the figures last recorded."""
    figures: Figures = tomllib.loads(RECORDED.read_text(encoding="utf-8")) if RECORDED.exists() else {}
    return figures


def write_recorded(figures: Figures) -> None:
    """Write figures to the table, in place of those that it has of the same parts."""
    lines = [_HEAD]
    for part, named in sorted({**read_recorded(), **figures}.items()):
        lines.append(f"[{part}]")
        for name, values in named.items():
            shown = ", ".join(f"{what} = {float(f'{value:.3g}')}" for what, value in values.items())
            lines.append(f"{json.dumps(name, ensure_ascii=False)} = {{ {shown} }}")
        lines.append("")
    RECORDED.write_text("\n".join(lines), encoding="utf-8")


def show(
    title: str, lines: Sequence[Line], recorded: Mapping[str, Mapping[str, float]] | None = None
) -> list[str]:
    """Print the lines with the goals and the recorded figures; return the names of those that are worse."""
    table = Table(title=title, title_justify="left", box=None, header_style="bold")
    for name in ("measured", "ratio of", "now", "goal", "recorded", "CPU us", "recorded", ""):
        table.add_column(name, justify="right" if name in ("now", "recorded", "CPU us") else "left")
    worse = []
    for line in lines:
        known = (recorded or {}).get(line.name, {})
        if line.worse(known):
            worse.append(line.name)
        table.add_row(
            line.what,
            line.ratio_of,
            f"{line.ratio:.3g}",
            line.goal,
            _shown(known.get("ratio")),
            _shown(line.cpu_us),
            _shown(known.get("cpu_us")),
            "worse" if line.name in worse else "",
        )
    Console(width=160, highlight=False).print(table)
    return worse


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"
