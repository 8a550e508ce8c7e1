"""Compile the detectors at the first start, in two processes at once, and say so."""

import subprocess
import sys
from collections.abc import Callable

from strikewatch import numba_cache
from strikewatch.detectors.compiled import compiler
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode.scan_kernel import compile_scanner


def precompile(report: Callable[[str], object]) -> None:
    """Compile all detectors or load them from the cache, so that the first step is not slower than the others."""
    if not numba_cache.ready():
        report("First start: compiling the detectors, which takes about a minute, once.")
        with subprocess.Popen([sys.executable, "-m", __name__]):
            for detector in DETECTORS:
                if not detector.slow_to_compile:
                    detector.compile()
    for detector in DETECTORS:
        detector.compile()
    compiler.compile_step()
    compile_scanner()


if __name__ == "__main__":  # about as long as the other detectors
    for detector in DETECTORS:
        if detector.slow_to_compile:
            detector.compile()
    compiler.compile_step()
    compile_scanner()
