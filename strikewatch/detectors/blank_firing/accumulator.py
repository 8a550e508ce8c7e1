"""accumulator_suspect: the pulses of the loaded hammer have widened, as with too little gas in the accumulator.

Seen in fast feeds only, as a slow trend over bouts. A hint for upkeep: charge is checked by the handbook's
procedure and by trained people only.
"""

from typing import Any, Final

from strikewatch.detectors.blank_firing import baseline, ramp_up
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    emit,
    part,
)

ACCUMULATOR: Final = 1
"""Index of the second fault."""


@part
def watch(state: Any, params: Any, out: Any) -> None:
    loaded = state.loaded
    ratio = loaded.pulse_bar / loaded.pulse_first
    numbers = (loaded.pulse_bar, loaded.pulse_first, ratio)
    if state.suspect == NEVER and loaded.pulse_bouts >= 2 * baseline.YOUNG and ratio >= params.wide:
        state.suspect = state.fire_end
        emit(out, ACCUMULATOR, RAISED, state.suspect, state.suspect, LOW, numbers)
    elif state.suspect != NEVER and ratio < 1.0 + 0.6 * (params.wide - 1.0):
        emit(out, ACCUMULATOR, CLEARED, state.suspect, state.fire_end, LOW, numbers)
        state.suspect = NEVER


@part
def forget(state: Any, at: int, out: Any) -> None:
    """The hammer was serviced: what was learned of it no longer holds."""
    loaded = state.loaded
    if state.suspect != NEVER:
        numbers = (loaded.pulse_bar, loaded.pulse_first, loaded.pulse_bar / loaded.pulse_first)
        emit(out, ACCUMULATOR, CLEARED, state.suspect, at, LOW, numbers)
        state.suspect = NEVER
    baseline.forget(loaded)
    ramp_up.forget(state.startup)
    state.steps.noise = 0.0
