"""(f) Start-up, from cold processes: help, a one-hour file, and the very first start, which compiles."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from strikewatch.compiled import VARIABLE
from strikewatch.store.parquet import write_shift
from tests.benchmarks import data
from tests.benchmarks.table import Line, median_s

PYTHON = (sys.executable, "-c")
COMMAND = (sys.executable, "-m", "strikewatch.cli")


def call(*command: str, cache: str | None = None) -> str:
    environment = dict(os.environ)
    if cache is not None:
        environment[VARIABLE] = cache
    ended = subprocess.run(command, check=True, capture_output=True, text=True, env=environment)
    return ended.stdout + ended.stderr


def lines() -> list[Line]:
    with tempfile.TemporaryDirectory() as folder:
        hour = Path(folder) / "hour"
        write_shift(hour, "fennick-hollow", {"HB-01": data.rich(36_000)}, live=True)
        replay = (*COMMAND, "replay", str(hour))
        a, b, c = median_s(
            lambda: call(*COMMAND, "--help"),
            lambda: call(*replay),
            lambda: call(*PYTHON, "import numpy"),
        )
        start = time.perf_counter()
        said = call(*replay, cache=str(Path(folder) / "empty"))
        first = time.perf_counter() - start
    told = "says so" if "First start" in said else "says NOTHING"
    return [
        Line(f"--help {a:.2f} s (import numpy {c:.2f})", "help / numpy", a / c, "< 3"),
        Line(f"replay of one hour, warm cache: {b:.2f} s", "replay / numpy", b / c, ""),
        Line(f"very first start, once: {first:.1f} s, {told}", "s / 15 s", first / 15, "< 1"),
    ]
