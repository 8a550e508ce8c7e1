"""Suspicions that only the next bout can confirm: `blank_firing` where engine speed is unknown.

A level that falls no further than a throttle can lower it, and stays low until the release, may be a throttle's. The
next bout decides: at the loaded level again, the tool was not loaded; still low, the pump had changed. Until then the
suspicion is deferred here, with the measurements of its bout. If no bout follows in time, or the next one does not
decide, it is raised with the score that it has.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    EVIDENCE,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    emit_array,
    part,
)

BOUT_NUMBERS: Final = 12
"""Room for the numbers of a bout."""
WITHIN: Final = 60_000_000_000
"""How long after the release the next bout is waited for, ns."""
THROTTLE: Final = 0.5
"""A throttle lowers the level by less than this share (common practice, no published source: engines work down to
about 70 % of their rated speed, and pressure goes as the 1.5th to 2nd power of it)."""

STATE: Final = np.dtype(
    [
        ("on", "<i8"),  # whether a suspicion is deferred
        ("until", "<i8"),  # how long the next bout is waited for
        ("onset", "<i8"),
        ("end", "<i8"),
        ("high_at", "<i8"),  # when it became high; NEVER: it did not
        ("whole", "<i8"),  # whether the run was the whole bout
        ("level", "<f8"),  # of the run
        ("reference", "<f8"),  # level that it was compared with
        ("deepest", "<f8"),  # lowest level in the run
        ("stepped", "<i8"),  # whether the run began or ended with a step
        ("evidence", "<f8", (EVIDENCE,)),
        ("bout", "<i8"),  # start of its bout
        ("fire_end", "<i8"),  # end of its bout
        ("bout_numbers", "<f8", (BOUT_NUMBERS,)),
    ]
)


@part
def emit_deferred(deferred: Any, out: Any) -> None:
    """Write the suspicion: raised and cleared."""
    evidence = deferred.evidence
    priority = HIGH if deferred.high_at != NEVER else MEDIUM
    emit_array(out, 0, RAISED, deferred.onset, deferred.onset, MEDIUM, evidence)
    if deferred.high_at != NEVER:
        emit_array(out, 0, ESCALATED, deferred.onset, deferred.high_at, HIGH, evidence)
    emit_array(out, 0, CLEARED, deferred.onset, deferred.end, priority, evidence)
