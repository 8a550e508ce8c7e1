"""`python -m tests.long.benchmarks [a b …]`: a table of ratios, each of two things measured in one run."""

import importlib
import os
import sys
from typing import Final

from tests.long.benchmarks.table import show

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
}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        module, title = PARTS[part]
        lines = importlib.import_module(f"tests.long.benchmarks.{module}").lines()
        show(f"({part}) {title}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", lines)
