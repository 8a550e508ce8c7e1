"""Which tests one worker of pytest-xdist runs, and in which order tests begin."""

import re
from collections.abc import Sequence
from typing import Final

TRIALS: Final = "tests/service/test_trials.py"
SPARK: Final = "tests/long/fleet"
"""Tests that share a session of Spark, all but those of `KILLS`, which start a process each."""
KILLS: Final = "tests/long/fleet/test_kills.py"
SPREAD: Final = ("tests/detectors", "tests/guide", KILLS, "tests/service")
"""Long files of independent tests, which any worker may take. Of all other files, each is run by one worker."""
FIRST: Final = (
    "tests/long/fleet/test_spark.py",
    "tests/long/fleet/test_stream.py",
    "tests/web/test_browser.py",
    TRIALS,  # many processes at once, with times that matter: one after the other
    "tests/sources/test_mqtt.py",
    "tests/review/test_report.py",
    "tests/web/test_pictures.py",
    "tests/physics/test_blank_firing.py",
    "tests/review",
    "tests/cli",
    "tests/physics",
    "tests/sinks",
    "tests/storage",
    "tests/web",
)
"""What takes longest is begun first, so that all workers end at about the same time."""
WAITING: Final = "tests/service"
"""Tests that mostly wait for processes. Workers run them in between others, so that the cores are never idle."""
LAST: Final = "tests/detectors"
"""Hundreds of short tests, to fill the gaps."""
_SEED: Final = re.compile(r"[-\[](\d+)\]$")


def group(test: str) -> str:
    """Return the name of what one worker runs: a file, a test, or detectors' tests of some seeds, which share streams.

    Args:
        test: The test's id as pytest prints it, from the project's folder.
    """
    file = _file(test)
    if file.startswith(SPARK) and file != KILLS:
        return SPARK
    if file == TRIALS or not file.startswith(SPREAD):
        return file
    if file.startswith(LAST) and (seed := _SEED.search(test)):
        return f"{LAST} seeds {int(seed[1]) // 5}"
    return test


def ordered(tests: Sequence[str]) -> list[str]:
    """Return the tests in the order of their beginning."""
    waiting, busy, last = list[str](), list[str](), list[str]()
    for test in sorted(tests, key=_rank):
        file = _file(test)
        waits = file.startswith(WAITING) and file != TRIALS
        (waiting if waits else last if file.startswith(LAST) else busy).append(test)
    place = {test: k / len(part) for part in (busy, waiting) for k, test in enumerate(part)}
    return [*sorted([*busy, *waiting], key=place.__getitem__), *last]


def _file(test: str) -> str:
    return test.split("::", 1)[0]


def _rank(test: str) -> int:
    file = _file(test)
    return next((k for k, first in enumerate(FIRST) if file.startswith(first)), len(FIRST))
