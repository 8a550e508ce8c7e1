"""The very first start: compile the detectors, in two processes at once, and say so."""

import subprocess
import sys
from collections.abc import Callable
from typing import Final

from strikewatch import compiled
from strikewatch.detect import DETECTORS

OTHERS: Final = ("blank_firing", "grease")
"""As long to compile as all the rest."""


def warm(say: Callable[[str], object]) -> None:
    """Compile what is not compiled yet; nothing at all on later starts."""
    if compiled.ready():
        return
    say("First start: compiling the detectors, which takes some ten seconds once.")
    with subprocess.Popen([sys.executable, "-m", __name__]):
        for detector in DETECTORS:
            if detector.name not in OTHERS:
                detector.settle()


if __name__ == "__main__":
    for one in DETECTORS:
        if one.name in OTHERS:
            one.settle()
