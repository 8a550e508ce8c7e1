"""(e) Bytes of state a hammer, and resident memory: at 10, 1,000 and 10,000 hammers, and over a simulated week.

Memory is of a process of its own: `python -m tests.benchmarks.footprint HAMMERS MINUTES` prints its MiB at a tenth of
the time and at the end.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from strikewatch.model.batch import Batch, Portion, Rows
from strikewatch.model.instant import SECOND
from strikewatch.pipeline import STATE, Pipeline
from tests.benchmarks import data
from tests.benchmarks.table import Line

MINUTE = 60 * SECOND
START = 1_700_000_000 * SECOND
WEEK = 7 * 24 * 60


def resident_mib() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def work(hammers: int, minutes: int) -> None:
    """One row a minute of every hammer: memory at a tenth, when all is warm, and at the end."""
    pipeline = Pipeline(data.settings_of)
    for minute in range(minutes):
        at = START + minute * MINUTE
        firing = np.array([float(minute // 3 % 2)])
        rows = Rows(
            np.array([at]), {"active": firing, "pressure_bar": 140 * firing, "oil_c": 50 + 35 * firing}
        )
        portions = [Portion(("fennick-hollow", f"HB-{k}"), rows, at) for k in range(hammers)]
        pipeline.keep(pipeline.step(Batch(portions)))
        if minute == minutes // 10 or minute == minutes - 1:
            print(resident_mib())


def memory_mib(hammers: int, minutes: int) -> tuple[float, float]:
    command = [sys.executable, "-m", "tests.benchmarks.footprint", str(hammers), str(minutes)]
    first, last = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(first), float(last)


def lines() -> list[Line]:
    found = []
    _, least = memory_mib(10, 20)
    for hammers in (10, 1_000, 10_000):
        _, mib = memory_mib(hammers, 20)
        what = f"{hammers:,} hammers: {mib:.0f} MiB, {STATE.itemsize:,} bytes of state each"
        found.append(Line(what, "memory to that at 10", mib / least, ""))
    for hammers in (10, 200):
        first, last = memory_mib(hammers, WEEK)
        what = f"a week of {hammers} hammers: {first:.1f} MiB after 17 h, {last:.1f} MiB at its end"
        found.append(Line(what, "end / 17 h", last / first, "flat: 1"))
    return found


if __name__ == "__main__":
    work(int(sys.argv[1]), int(sys.argv[2]))
