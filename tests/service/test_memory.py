"""Memory of large messages and recordings: the processor returns it to the system, and a replay frees it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.programs import skip

RELEASE = """
from strikewatch.service import run
import numpy as np
import pyarrow as pa

run.return_freed_memory()

def resident_mib():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS:")) / 1024

def arrays(n):
    return [pa.array(np.ones(1 << 20)).cast(pa.float32()) for _ in range(n)]  # 4 MiB each

arrays(1)  # loads what it needs
before = resident_mib()
large = arrays(20)
assert resident_mib() - before > 70
del large
print(resident_mib() - before)
"""


def test_memory_of_a_recording_is_returned() -> None:
    if sys.platform != "linux":
        skip("needs Linux: only its C library is asked to return memory")
    done = subprocess.run(
        [sys.executable, "-c", RELEASE], capture_output=True, text=True, check=True, timeout=120
    )
    assert float(done.stdout) < 15


REPLAY = """
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa

from strikewatch.core.batch import Rows
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.faults import Faults
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.recorder.parquet import GROUP_ROWS, write_shift

time_ns = 1_780_000_000_000_000_000 + np.arange(GROUP_ROWS) * 100_000_000
rows = Rows(time_ns, {"active": np.zeros(GROUP_ROWS), "pressure_bar": np.full(GROUP_ROWS, 20.0)})
hammers = {f"HB-{k:02d}": rows for k in range(1, 13)}
write_shift(Path("shift"), "fennick-hollow", hammers, live=sys.argv[1] == "live")
settings = Faults().by_detector()
result = replay_shifts(open_shifts(Path("shift")), lambda _: settings)
assert result.counts.used == 12 * GROUP_ROWS
print(pa.total_allocated_bytes() / 2**20)
"""


@pytest.mark.parametrize("recorded", ["live", "as a table"])
def test_a_replay_keeps_no_rows_of_hammers_that_it_has_processed(recorded: str, tmp_path: Path) -> None:
    """3 MiB each: a site's hammers would take hundreds of megabytes, and a fleet's more."""
    done = subprocess.run(
        [sys.executable, "-c", REPLAY, recorded],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert float(done.stdout) < 3
