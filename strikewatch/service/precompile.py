"""Compile the detectors at the first start, in two processes at once, and say so."""

import subprocess
import sys
from collections.abc import Callable

import numpy as np

from strikewatch import numba_cache
from strikewatch.core.channels import CHANNELS
from strikewatch.detectors import firing, pose
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode.scan_kernel import compile_scanner


def precompile(report: Callable[[str], object]) -> None:
    """Compile all detectors or load them from the cache, so that the first step is not slower than the others."""
    if not numba_cache.ready():
        report("First start: compiling the detectors, which takes some ten seconds once.")
        with subprocess.Popen([sys.executable, "-m", __name__]):
            for detector in DETECTORS:
                if not detector.slow_to_compile:
                    detector.compile()
    for detector in DETECTORS:
        detector.compile()
    firing.compile_firing()
    compile_scanner()
    pose.compile_pose()
    for name in ("active", "oil_c"):
        firing.impossible(np.zeros(1), CHANNELS[name])


if __name__ == "__main__":
    for detector in DETECTORS:
        if detector.slow_to_compile:
            detector.compile()
