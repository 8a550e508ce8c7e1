"""Compile the detectors at the first start, in several processes at once, and say so."""

import gc
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Final

from strikewatch import numba_cache
from strikewatch.detectors.compiled import compiler
from strikewatch.detectors.compiled.packing import compile_packing
from strikewatch.detectors.kernels import compiled
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode.scan_kernel import compile_scanner

POLL_S: Final = 0.05
MAX_PROCESSES: Final = 4
"""The slowest detector takes about a quarter of the whole."""

PLAIN_NUMBA: Final = (
    f"With this version of numba, {version('numba')}, it takes more than twice as long as with "
    f"{'.'.join(map(str, compiler.NUMBA_SERIES))}; results are the same."
)


def precompile(report: Callable[[str], object], stopped: Callable[[], bool] = lambda: False) -> None:
    """Compile all detectors or load them from the cache, so that the first step is not slower than the others.

    Returns early once `stopped` is true.
    """
    ready = numba_cache.ready()
    if not ready:
        report("First start: compiling the detectors, which takes about half a minute, once.")
        if not compiler.COMPILES_WHOLE:
            report(PLAIN_NUMBA)
        if numba_cache.prepare() is not None:
            _fill_cache(stopped)
    if not stopped():
        for compile_one in _units().values():
            compile_one()
        if not ready:
            numba_cache.mark_ready()


def _units() -> dict[str, Callable[[], object]]:
    """Return the functions that each compile one unit, by its name; those that take long come first."""
    slow, quick = (
        # The detectors of one rule share it.
        {
            f"{compiled(d.run).py_func.__module__}-{len(d.reads)}": d.compile
            for d in DETECTORS
            if d.slow_to_compile is slow
        }
        for slow in (True, False)
    )
    return {
        **slow,
        "scanner": compile_scanner,
        "step": compiler.compile_step,
        "packing": compile_packing,
        **quick,
    }


def _fill_cache(stopped: Callable[[], bool]) -> None:
    """Compile in processes that Ctrl-C does not reach: interrupted, numba goes on or fails with another error."""
    with tempfile.TemporaryDirectory() as claims:
        command = [sys.executable, "-m", __name__, claims]
        count = min(os.cpu_count() or 1, MAX_PROCESSES)
        children = [subprocess.Popen(command, process_group=0) for _ in range(count)]
        try:
            while not stopped() and any(child.poll() is None for child in children):
                time.sleep(POLL_S)
        finally:
            for child in children:
                child.kill()
                child.wait()


def _compile_unclaimed(claims: Path) -> None:
    """Compile what no other process has begun; each claims its work by a file in the folder."""
    gc.disable()  # a compiler makes many objects and keeps most of them; collecting costs a tenth of the time
    for name, compile_one in _units().items():
        try:
            (claims / name).touch(exist_ok=False)
        except FileExistsError:
            continue
        compile_one()


if __name__ == "__main__":
    _compile_unclaimed(Path(sys.argv[1]))
