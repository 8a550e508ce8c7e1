"""A suspicion that only the next bout can bear out: `blank_firing` where engine speed is not known.

A level that falls by no more than a throttle can make it fall, and stays low until the release, may be the
throttle's. The next bout tells: at the loaded level again, the tool was not loaded; still low, the pump had changed.
Until then the suspicion waits here, with the note of its bout. Where no bout follows in time, or the next one does
not tell, it is raised for what it is worth.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    EVIDENCE,
    HIGH,
    MEASURED,
    MEDIUM,
    NEVER,
    RAISED,
    emit,
    part,
)

NOTE: Final = 12
"""Numbers in the note of a bout."""
WITHIN: Final = 60_000_000_000
"""So long after the release the next bout is waited for, ns."""
THROTTLE: Final = 0.5
"""A throttle lets the level down by less, share of the level (common practice, no published source: engines work
down to about 70 % of their rated speed, and pressure goes as the 1.5th to 2nd power of it)."""

STATE: Final = np.dtype(
    [
        ("on", "<i8"),  # whether a suspicion waits
        ("until", "<i8"),
        ("onset", "<i8"),
        ("end", "<i8"),
        ("high_at", "<i8"),  # when it became high; NEVER for one that did not
        ("whole", "<i8"),
        ("level", "<f8"),  # of the run, and the level it was held against
        ("against", "<f8"),
        ("deepest", "<f8"),
        ("stepped", "<i8"),
        ("evidence", "<f8", (EVIDENCE,)),
        ("bout", "<i8"),  # start and end of its bout, and what was measured of it
        ("fire_end", "<i8"),
        ("note", "<f8", (NOTE,)),
    ]
)


@part
def numbers(numbers: Any) -> Any:
    """The evidence of a finding out of an array [EVIDENCE]."""
    return (
        numbers[0],
        numbers[1],
        numbers[2],
        numbers[3],
        numbers[4],
        numbers[5],
        numbers[6],
        numbers[7],
        numbers[8],
        numbers[9],
        numbers[10],
        numbers[11],
        numbers[12],
        numbers[13],
        numbers[14],
        numbers[15],
        numbers[16],
        numbers[17],
        numbers[18],
        numbers[19],
    )


@part
def raise_it(deferred: Any, out: Any) -> None:
    """Write the suspicion down: raised and cleared."""
    evidence = numbers(deferred.evidence)
    priority = HIGH if deferred.high_at != NEVER else MEDIUM
    emit(out, 0, RAISED, deferred.onset, deferred.onset, MEDIUM, evidence)
    if deferred.high_at != NEVER:
        emit(out, 0, ESCALATED, deferred.onset, deferred.high_at, HIGH, evidence)
    emit(out, 0, CLEARED, deferred.onset, deferred.end, priority, evidence)


@part
def note_bout(deferred: Any, blank: float, judged: float, why: float, out: Any) -> None:
    """Write the note of its bout down."""
    note = deferred.note
    numbers = (
        judged,
        blank,
        note[2],
        note[3],
        note[4],
        note[5],
        note[6],
        note[7],
        why,
        note[9],
        note[10],
        note[11],
    )
    emit(out, 0, MEASURED, deferred.bout, deferred.fire_end, 0, numbers)
