"""(e) Bytes of state a hammer, in memory and stored; resident memory at 10 to 10,000 hammers, and over a week."""

import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.storage.commit.states import pack
from tests.long.benchmarks import data
from tests.long.benchmarks.table import Line

HAMMERS = (10, 1_000, 10_000)
WEEK_MIN = 7 * 24 * 60
SHIFT_ROWS = 1_000_000


def resident_mib() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    raise OSError("/proc/self/status says nothing of VmRSS")


def print_resident_mib(hammers: int, minutes: int) -> None:
    """Print the resident memory after a tenth and at the end of so many minutes, a row a minute and hammer."""
    pipeline = Pipeline(data.settings_of)
    keys = [("site", f"HB-{k:05d}") for k in range(hammers)]
    start = 1_772_608_500 * SECOND
    early = 0.0
    for minute in range(minutes):
        at = start + minute * 60 * SECOND
        time_ns = np.array([at], np.int64)
        columns = {
            "active": np.array([float(minute % 3 > 0)]),
            "pressure_bar": np.array([140.0 + minute % 7]),
            "oil_c": np.array([60.0 + minute % 25]),
        }
        batch = Batch([Portion(key, Rows(time_ns, columns), at) for key in keys])
        pipeline.commit(pipeline.step(batch))
        if minute == minutes // 10:
            early = resident_mib()
    print(early, resident_mib())


def measure_resident_mib(hammers: int, minutes: int) -> tuple[float, float]:
    command = [sys.executable, "-m", "tests.long.benchmarks.footprint", str(hammers), str(minutes)]
    early, late = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    return float(early), float(late)


ENTRIES: Final[tuple[tuple[str, dict[str, Any]], ...]] = (
    ("grease", {"strokes": [12, 12], "method": "manual"}),
    ("check", {"result": "ok"}),
    ("inspection", {"bushing": "first_groove_visible"}),
    ("storage", {"state": "out"}),
)
"""What is entered every hour, to fill the histories."""


def state_bytes(entries: bool) -> tuple[int, int]:
    """Return the size of a hammer's state in memory and in the database after 28 h of work, with or without entries."""
    rows, pipeline = data.bare(SHIFT_ROWS), Pipeline(data.settings_of)
    first, last = int(rows.time_ns[0]), int(rows.time_ns[-1])
    events = tuple(
        Event(*data.KEY, kind, at, fields)
        for at in range(first + 3600 * SECOND, last, 3600 * SECOND)
        for kind, fields in ENTRIES
    )
    pipeline.commit(pipeline.step(Batch([Portion(data.KEY, rows, last, events if entries else ())])))
    return sys.getsizeof(pipeline.packed(data.KEY)), len(pack(LAYOUT, pipeline.saved(data.KEY))[1])


def lines() -> list[Line]:
    found = []
    least = most = 0.0
    for hammers in HAMMERS:
        _, late = measure_resident_mib(hammers, 20)
        least, most = least or late, late
        found.append(Line(f"{hammers:,} hammers: {late:.0f} MiB resident", "to 10 hammers", late / least, ""))
    early, late = measure_resident_mib(10, WEEK_MIN)
    found.append(
        Line(
            f"10 hammers over a week: {early:.1f} → {late:.1f} MiB", "end / after a tenth", late / early, "1"
        )
    )
    each = (most - least) * 1024 / (HAMMERS[-1] - HAMMERS[0])
    found.append(Line(f"resident: {each:.1f} KiB a hammer, with everything", "to 4 KiB", each / 4, "<= 0.75"))
    in_memory, stored = state_bytes(entries=False)
    full, _ = state_bytes(entries=True)
    found.append(Line(f"state: {in_memory} bytes a hammer", "to 4 KiB", in_memory / 4096, "<= 0.75"))
    found.append(Line(f"state with full histories: {full} bytes", "to 4 KiB", full / 4096, ""))
    found.append(Line(f"state as stored: {stored} bytes a hammer", "to 3,000 bytes", stored / 3000, "<= 1"))
    return found


if __name__ == "__main__":
    print_resident_mib(*map(int, sys.argv[1:]))
