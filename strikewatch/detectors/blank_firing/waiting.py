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
    MEDIUM,
    NEVER,
    NOTED,
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
def numbers(x: Any) -> Any:
    """The evidence of a finding out of an array [EVIDENCE]."""
    return (
        x[0],
        x[1],
        x[2],
        x[3],
        x[4],
        x[5],
        x[6],
        x[7],
        x[8],
        x[9],
        x[10],
        x[11],
        x[12],
        x[13],
        x[14],
        x[15],
        x[16],
        x[17],
        x[18],
        x[19],
    )


@part
def raise_it(w: Any, out: Any, n: int, g: int) -> int:
    """Write the suspicion down: raised and cleared."""
    evidence = numbers(w.evidence)
    priority = HIGH if w.high_at != NEVER else MEDIUM
    n = emit(out, n, g, 0, RAISED, w.onset, w.onset, MEDIUM, evidence)
    if w.high_at != NEVER:
        n = emit(out, n, g, 0, ESCALATED, w.onset, w.high_at, HIGH, evidence)
    return emit(out, n, g, 0, CLEARED, w.onset, w.end, priority, evidence)  # type: ignore[no-any-return]


@part
def note_bout(w: Any, blank: float, judged: float, why: float, out: Any, n: int, g: int) -> int:
    """Write the note of its bout down."""
    x = w.note
    hers = (judged, blank, x[2], x[3], x[4], x[5], x[6], x[7], why, x[9], x[10], x[11])
    return emit(out, n, g, 0, NOTED, w.bout, w.fire_end, 0, hers)  # type: ignore[no-any-return]
