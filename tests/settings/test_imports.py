"""Reading settings loads no compiler, no database and no table library."""

import subprocess
import sys
from typing import Final

import numpy as np
import pytest

from strikewatch.detectors.kernels import Kernel, compiled, kernel, part

HEAVY: Final = (
    *("numba", "llvmlite", "pandas", "scipy", "pyarrow"),
    *("sqlalchemy", "alembic", "asyncio", "paho", "starlette", "uvicorn", "fastapi"),
)


@pytest.mark.parametrize(
    "module", ["strikewatch", "strikewatch.settings.tree", "strikewatch.detectors.registry"]
)
def test_importing_loads_no_heavy_library(module: str) -> None:
    """Neither does reading the settings, which validates every model with its defaults."""
    code = f"import sys, {module} as m; getattr(m, 'load', int)(); print(*sys.modules, sep='\\n')"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert module in loaded.split()
    assert not set(HEAVY) & set(loaded.split())


def test_the_first_call_of_a_kernel_loads_the_compiler() -> None:
    """`pack_records` is imported by name before; afterwards its module has the dispatcher."""
    code = """
import sys
import numpy as np
from strikewatch.engine import packed_state
from strikewatch.engine.packed_state import pack_records
assert "numba" not in sys.modules
for pack in (pack_records, packed_state.pack_records):
    ends = np.zeros(1, np.int64)
    room = np.zeros(4, np.uint64)
    pack(np.array([[7, 0]], np.uint64), np.array([0, 0], np.uint64), room, ends)
    print(ends[0], *room[:2])
assert packed_state.pack_records is not pack_records
"""
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    # A word of bits, of which the first is set, and the one word that differs.
    assert found == "2 1 7\n" * 2


def test_a_part_called_from_python_runs_as_python() -> None:
    """It loads no compiler, and does not need it once that is loaded: parts have no wrapper to be called by."""
    code = """
import sys
from strikewatch.detectors.maintenance import forecast
from strikewatch.detectors.maintenance.forecast import days_left
print(*days_left([5.0] * 10, 10, 20.0))
assert "numba" not in sys.modules
import strikewatch.detectors.compiled.compiler
assert forecast.days_left is not days_left
print(*forecast.days_left([5.0] * 10, 10, 20.0))
assert not forecast.days_left.signatures
"""
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    # Ten days alike, 5 h each: 20 h take 4 days, without spread.
    assert found.split() == ["4.0"] * 4


@part
def _double(value: float) -> float:
    return 2.0 * value


_as_declared = _double if isinstance(_double, Kernel) else Kernel(_double.py_func, {}, compiled=_double)  # type: ignore[attr-defined]


@kernel
def _doubled_twice(value: float) -> float:
    return _as_declared(_double(value))


def test_a_kernel_declared_before_or_after_the_compiler_is_loaded_is_compiled() -> None:
    assert _doubled_twice(3.0) == 12.0
    late = kernel(lambda value: value + 1.0)
    assert not isinstance(late, Kernel)
    assert late(np.float64(1.0)) == 2.0
    assert compiled(late) is late
