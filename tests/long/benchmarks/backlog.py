"""(k) From publish to webhook while the gateway of another hammer sends a backlog at once, against a quiet time."""

import statistics
import tempfile
from pathlib import Path

from tests.long.benchmarks.table import Line
from tests.long.trials.backlog import outcome

HOURS = 8.0
QUIET_S = 15.0
TRIALS = 3
"""Fewer than elsewhere: each takes a minute."""


def lines() -> list[Line]:
    found = []
    for trial in range(TRIALS):
        with tempfile.TemporaryDirectory() as folder:
            found.append(outcome(Path(folder), HOURS, QUIET_S, seed=trial + 1))
    quiet = statistics.median(one.quiet_p99 for one in found)
    burst = statistics.median(one.burst_p99 for one in found)
    what = f"p99 during {found[0].messages:,} messages at once: {burst:.1f} ms (quiet {quiet:.1f} ms)"
    return [Line(what, "backlog / quiet", statistics.median(one.ratio for one in found), "<= 3")]
