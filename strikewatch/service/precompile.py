"""Compile the detectors at the first start, in two processes at once, and say so."""

import subprocess
import sys
import time
from collections.abc import Callable
from typing import Final

from strikewatch import numba_cache
from strikewatch.detectors.compiled import compiler
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode.scan_kernel import compile_scanner

POLL_S: Final = 0.05


def precompile(report: Callable[[str], object], stopped: Callable[[], bool] = lambda: False) -> None:
    """Compile all detectors or load them from the cache, so that the first step is not slower than the others.

    Returns early once `stopped` is true.
    """
    ready = numba_cache.ready()
    if not ready:
        report("First start: compiling the detectors, which takes about a minute, once.")
        if numba_cache.prepare() is not None:
            _fill_cache(stopped)
    if not stopped():
        _compile(slow=True)
        _compile(slow=False)
        if not ready:
            numba_cache.mark_ready()


def _fill_cache(stopped: Callable[[], bool]) -> None:
    """Compile in processes that Ctrl-C does not reach: interrupted, numba goes on or fails with another error."""
    command = [sys.executable, "-m", __name__]
    children = [subprocess.Popen([*command, part], process_group=0) for part in ("slow", "quick")]
    try:
        while not stopped() and any(child.poll() is None for child in children):
            time.sleep(POLL_S)
    finally:
        for child in children:
            child.kill()
            child.wait()


def _compile(*, slow: bool) -> None:
    """Compile one half or load it from the cache; both halves take about as long."""
    for detector in DETECTORS:
        if detector.slow_to_compile == slow:
            detector.compile()
    if slow:
        compiler.compile_step()
        compile_scanner()


if __name__ == "__main__":
    _compile(slow=sys.argv[1] == "slow")
