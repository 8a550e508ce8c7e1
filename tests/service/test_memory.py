"""The processor returns the memory of large messages and recordings to the system."""

import subprocess
import sys

import pytest

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


@pytest.mark.skipif(sys.platform != "linux", reason="the C library of Linux")
def test_memory_of_a_recording_is_returned() -> None:
    done = subprocess.run(
        [sys.executable, "-c", RELEASE], capture_output=True, text=True, check=True, timeout=60
    )
    assert float(done.stdout) < 15
