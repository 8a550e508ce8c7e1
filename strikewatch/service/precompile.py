"""The very first start: compile the detectors, in two processes at once, and say so."""

import subprocess
import sys
from collections.abc import Callable
from typing import Final

import numpy as np

from strikewatch import numba_cache
from strikewatch.core.channels import CHANNELS
from strikewatch.detectors import firing, pose
from strikewatch.detectors.registry import DETECTORS

OTHERS: Final = ("blank_firing", "grease")
"""As long to compile as all the rest."""


def warm(say: Callable[[str], object]) -> None:
    """Have everything compiled, or taken from an earlier start, so that the first step is as quick as the next."""
    if not numba_cache.ready():
        say("First start: compiling the detectors, which takes some ten seconds once.")
        with subprocess.Popen([sys.executable, "-m", __name__]):
            for detector in DETECTORS:
                if detector.name not in OTHERS:
                    detector.compile()
    for detector in DETECTORS:
        detector.compile()
    firing.compile_firing()
    pose.compile_pose()
    for name in ("active", "oil_c"):
        firing.impossible(np.zeros(1), CHANNELS[name])


if __name__ == "__main__":
    for one in DETECTORS:
        if one.name in OTHERS:
            one.compile()
