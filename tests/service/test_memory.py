"""The processor returns the memory of large messages and recordings to the system."""

import subprocess
import sys

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
