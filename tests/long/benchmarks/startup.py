"""(f) Start-up: the help, an hour's replay from a cold process, and the very first start, which compiles."""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from strikewatch.core.batch import Batch, Portion
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.parquet import write_shift
from tests.long.benchmarks import data
from tests.long.benchmarks.table import TRIALS, Line, median_s

STRIKEWATCH = [sys.executable, "-m", "strikewatch.cli.main"]


DATABASE_COMMANDS = (("settings",), ("alerts",), ("token", "list"), ("due",))
"""Commands that detect nothing; all but the first open a database, which has no hammer yet."""


def run(*command: str, cwd: str | None = None, **environment: str) -> float:
    """Run a command; return its CPU time in user mode, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    subprocess.run(command, capture_output=True, check=True, cwd=cwd, env={**os.environ, **environment})
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before


def cpu_s(*command: str, cwd: str) -> float:
    """Return the median CPU time of a command, s, after a run to warm up."""
    return statistics.median([run(*command, cwd=cwd) for _ in range(TRIALS + 1)][1:])


def add_hammer(database: Path) -> None:
    """Add a hammer's state to a database."""
    pipeline, rows = Pipeline(data.settings_of), data.bare(1000)
    pipeline.commit(pipeline.step(Batch([Portion(data.KEY, rows, int(rows.time_ns[-1]))])))
    states = {data.KEY: pipeline.saved(data.KEY)}
    store = Store(database)
    store.commit(StepRecord(int(rows.time_ns[-1]), [], [], [], [], [], states, LAYOUT, [], {}, ()))
    store.close()


def lines() -> list[Line]:
    with tempfile.TemporaryDirectory() as folder:
        shift = Path(folder) / "hour"
        write_shift(shift, "fennick-hollow", {"HB-01": data.rich(36_000)})
        help_s, numpy_s, pandas_s, hour_s = median_s(
            lambda: run(*STRIKEWATCH, "--help"),
            lambda: run(sys.executable, "-c", "import numpy"),
            lambda: run(sys.executable, "-c", "import numba, pyarrow.parquet"),
            lambda: run(*STRIKEWATCH, "replay", "--json", str(shift)),
        )
        hour_cpu_s = cpu_s(*STRIKEWATCH, "replay", "--json", str(shift), cwd=folder)
        Store(Path(folder) / "strikewatch.db").close()
        commands_s = {" ".join(words): cpu_s(*STRIKEWATCH, *words, cwd=folder) for words in DATABASE_COMMANDS}
        add_hammer(Path(folder) / "strikewatch.db")
        commands_s["due, of a hammer"] = cpu_s(*STRIKEWATCH, "due", cwd=folder)
        begin = time.perf_counter()
        first_cpu_s = run(
            *STRIKEWATCH, "replay", "--json", str(shift), NUMBA_CACHE_DIR=str(Path(folder) / "compiled")
        )
        first_s = time.perf_counter() - begin
    return [
        Line(
            f"--help: {help_s:.2f} s (import numpy {numpy_s:.2f} s)",
            "help / import numpy",
            help_s / numpy_s,
            "< 3",
        ),
        Line(
            f"an hour's replay, cold process: {hour_s:.2f} s (import numba, pyarrow {pandas_s:.2f} s)",
            "replay / its imports",
            hour_s / pandas_s,
            "",
        ),
        Line(f"an hour's replay, cold process, CPU: {hour_cpu_s:.2f} s", "of 1.5 s", hour_cpu_s / 1.5, "< 1"),
        *(
            Line(f"{words}, CPU: {used_s:.2f} s", "of 0.4 s", used_s / 0.4, "< 1")
            for words, used_s in commands_s.items()
        ),
        Line(f"the very first start: {first_s:.1f} s", "of 10 s", first_s / 10.0, "< 1"),
        Line(f"the very first start, CPU: {first_cpu_s:.1f} s", "of 20 s", first_cpu_s / 20.0, "< 1"),
    ]
