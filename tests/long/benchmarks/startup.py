"""(f) Start-up: the help, an hour's replay from a cold process, and the very first start, which compiles."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from strikewatch.storage.recorder.parquet import write_shift
from tests.long.benchmarks import data
from tests.long.benchmarks.table import Line, median_s

STRIKEWATCH = [sys.executable, "-m", "strikewatch.cli.main"]


def run(*command: str, **environment: str) -> None:
    subprocess.run(command, capture_output=True, check=True, env={**os.environ, **environment})


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
        begin = time.perf_counter()
        run(*STRIKEWATCH, "replay", "--json", str(shift), NUMBA_CACHE_DIR=str(Path(folder) / "compiled"))
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
        Line(f"the very first start: {first_s:.1f} s", "of 15 s", first_s / 15.0, "< 1"),
    ]
