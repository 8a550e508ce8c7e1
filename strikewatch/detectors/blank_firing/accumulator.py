"""accumulator_suspect: the pulses of the loaded hammer have widened, as with too little gas in the accumulator.

Seen in fast feeds only, as a slow trend over bouts. A hint for upkeep: charge is checked by the handbook's
procedure and by trained people only.
"""

from typing import Any, Final

from strikewatch.detectors.blank_firing import baseline, ramp_up
from strikewatch.detectors.kernels import CLEARED, LOW, NEVER, RAISED, emit, part

ACCUMULATOR: Final = 1
"""Index of the second fault."""


@part
def watch(s: Any, p: Any, out: Any, n: int, g: int) -> int:
    q = s.loaded
    ratio = q.pulse_bar / q.pulse_first
    numbers = (q.pulse_bar, q.pulse_first, ratio)
    if s.suspect == NEVER and q.pulse_bouts >= 2 * baseline.YOUNG and ratio >= p.wide:
        s.suspect = s.fire_end
        n = emit(out, n, g, ACCUMULATOR, RAISED, s.suspect, s.suspect, LOW, numbers)
    elif s.suspect != NEVER and ratio < 1.0 + 0.6 * (p.wide - 1.0):
        n = emit(out, n, g, ACCUMULATOR, CLEARED, s.suspect, s.fire_end, LOW, numbers)
        s.suspect = NEVER
    return n


@part
def forget(s: Any, at: int, out: Any, n: int, g: int) -> int:
    """The hammer was serviced: what was learned of it no longer holds."""
    q = s.loaded
    if s.suspect != NEVER:
        numbers = (q.pulse_bar, q.pulse_first, q.pulse_bar / q.pulse_first)
        n = emit(out, n, g, ACCUMULATOR, CLEARED, s.suspect, at, LOW, numbers)
        s.suspect = NEVER
    baseline.forget(q)
    ramp_up.forget(s.startup)
    s.steps.noise = 0.0
    return n
