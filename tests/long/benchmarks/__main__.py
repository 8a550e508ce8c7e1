"""`python -m tests.long.benchmarks [a b …] [--record]`: a table of ratios, each of two things measured in one run.

Ends with 1 if a figure is worse than the recorded one by more than noise; `--record` records the figures instead.
"""

import argparse
import importlib
import os
import sys
from typing import Final

from tests.long.benchmarks.table import read_recorded, show, write_recorded

PARTS: Final = {
    "a": ("columns", "All detectors over columns in memory"),
    "b": ("replay", "Replay of a Parquet shift"),
    "c": ("live", "Live messages"),
    "d": ("latency", "From publish to webhook"),
    "e": ("footprint", "State and memory"),
    "f": ("startup", "Start-up"),
    "g": ("commits", "Commits of steps that raise an alert"),
    "h": ("page", "The page"),
    "i": ("year", "The trainer's review of long times"),
    "j": ("detectors", "Every detector beside the others"),
    "k": ("backlog", "Live alerts beside a backlog"),
    "l": ("mapped", "Mapped sources"),
}


def main() -> int:
    """Run the parts that are named, or all; return the exit code."""
    arguments = argparse.ArgumentParser(prog="python -m tests.long.benchmarks")
    arguments.add_argument(
        "parts", nargs="*", metavar="PART", help=f"some of {' '.join(PARTS)}; all by default"
    )
    arguments.add_argument("--record", action="store_true", help="record the figures, on a quiet machine")
    given = arguments.parse_args()
    if unknown := [part for part in given.parts if part not in PARTS]:
        arguments.error(f"no part {' '.join(unknown)}; there are {' '.join(PARTS)}")
    recorded, worse, figures = read_recorded(), [], {}
    for part in given.parts or PARTS:
        module, title = PARTS[part]
        load = os.getloadavg()[0]
        lines = importlib.import_module(f"tests.long.benchmarks.{module}").lines()
        title = f"({part}) {title}; load {load:.1f} before, on {os.cpu_count()} cores"
        worse += [f"({part}) {name}" for name in show(title, lines, recorded.get(part))]
        figures[part] = {line.name: line.figures() for line in lines}
    if given.record:
        write_recorded(figures)
        return 0
    if worse:
        print("Worse than recorded by more than noise:", "; ".join(worse), file=sys.stderr)
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
