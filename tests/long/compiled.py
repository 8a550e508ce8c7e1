"""Compile the detectors before anything is measured, so that no processor has to do it at its first start."""

import subprocess
import sys

from strikewatch import numba_cache


def compile_detectors() -> None:
    """Compile what is not in the cache, in a process of its own, whose memory goes with it."""
    if not numba_cache.ready():
        subprocess.run([sys.executable, "-m", "strikewatch.service.precompile"], check=True)
