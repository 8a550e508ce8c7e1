"""cold_oil: 10 s of firing while the oil is below its lowest working temperature.

The limit is in the hammer's operator's manual; 20 degC is a placeholder (common practice, no published source). Onset:
the instant at which the firing time with oil known to be cold reaches `firing_s`. Cleared: at the first value at or
above the limit.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, seconds, tenth
from strikewatch.detectors.kernels import (
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import firing_by_row, interval, value_at


class Settings(DetectorSettings):
    """Firing with cold oil."""

    cold_limit_c: float = Field(
        20.0, description="Temperature below which the oil is cold, degC; from the hammer's manual"
    )
    firing_s: float = Field(10.0, gt=0, description="Firing time with cold oil from which it is a fault, s")


STATE: Final = np.dtype(
    [
        ("cold", "<i8"),
        ("oil_until", "<i8"),
        ("fired", "<i8"),  # ns of firing while cold
        ("onset", "<i8"),
        ("lowest", "<f8"),
    ]
)
PARAMS: Final = np.dtype([("limit", "<f8"), ("firing", "<i8")])

_HOLD: Final = CHANNELS["oil_c"].hold_ns


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any) -> bool:  # noqa: ARG001
    """Tell whether the oil is not cold."""
    return not state.cold and oil_c.lowest >= params.limit


@part
def run(tile: Any, state: Any, params: Any, rows: Any, oil_c: Any, out: Any) -> None:
    firing_ends = firing_by_row(tile, rows)
    for i in range(tile.first - 1, tile.last):
        start, end = interval(tile, rows, i)
        value = value_at(tile, oil_c, i)
        if value < params.limit:
            if not state.cold:
                state.cold = 1
                state.fired = 0
                state.lowest = value
            state.lowest = min(state.lowest, value)
            state.oil_until = start + _HOLD
        elif value >= params.limit and state.cold:
            state.oil_until = start + _HOLD
            state.onset = emit(out, 0, CLEARED, state.onset, start, LOW, (float(state.fired), state.lowest))
            state.cold = 0
        counts_until = min(unchecked(firing_ends, i + 1), state.oil_until, end)
        if state.cold and counts_until > start:
            before = state.fired
            state.fired = before + (counts_until - start)
            if state.onset == NEVER and state.fired >= params.firing:
                onset = start + params.firing - before
                evidence = (float(params.firing), state.lowest)
                state.onset = emit(out, 0, RAISED, onset, onset, LOW, evidence)
    if tile.report:
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, (float(state.fired), state.lowest))


def _params(settings: Settings) -> tuple[Any, ...]:
    return (settings.cold_limit_c, instant.seconds(settings.firing_s))


DETECTOR: Final = Detector(
    name="cold_oil",
    version=1,
    faults=(
        Fault(
            "cold_oil",
            "Fired {firing_cold_s:.0f} s with the oil down to {lowest_oil_c:.1f} °C; warm it up first.",
            {"firing_cold_s": seconds, "lowest_oil_c": tenth},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("oil_c",),
    fresh={"oil_until": NEVER, "onset": NEVER},
    needs=(FIRING, ("oil_c",)),
)
