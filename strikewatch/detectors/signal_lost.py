"""signal_lost: no row for 30 s while the carrier was working.

The carrier works at its last row if its engine is known to turn above `working_rpm` there; on a feed without engine
speed, if the row before was at most `steady_s` earlier. Onset: `silence_s` after the last row. Cleared: at the next
row.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault
from strikewatch.detectors import carrier
from strikewatch.detectors.base import Detector, DetectorSettings, seconds
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
from strikewatch.detectors.tiles import value_at


class Settings(DetectorSettings):
    """No data from a hammer at work."""

    silence_s: float = Field(30.0, gt=0, description="Time without rows after which the signal is lost, s")
    working_rpm: float = carrier.WORKING_RPM
    steady_s: float = carrier.STEADY_S


STATE: Final = np.dtype(
    [
        ("last_row", "<i8"),
        ("steady", "<i8"),  # whether the last two rows were close enough
        ("rpm_until", "<i8"),  # how long the engine is known to turn fast enough
        ("has_engine_rpm", "<i8"),
        ("onset", "<i8"),
    ]
)
PARAMS: Final = np.dtype([("silence", "<i8"), ("working_rpm", "<f8"), ("steady", "<i8")])


@part
def _raise_if_silent(state: Any, params: Any, now: int, out: Any) -> None:
    """Raise the fault if no row came from the last one until now for too long."""
    working = state.rpm_until > state.last_row if state.has_engine_rpm else state.steady == 1
    if working and now - state.last_row >= params.silence and state.onset == NEVER:
        onset = state.last_row + params.silence
        state.onset = emit(out, 0, RAISED, onset, onset, LOW, (float(params.silence),))


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> bool:
    """Tell whether the signal is there and rows come often enough; keep the instants of the newest rows."""
    silence = max(tile.first_at - state.last_row, tile.widest, tile.upto - tile.last_at)
    if state.onset != NEVER or silence >= params.silence:
        return False
    if tile.last > tile.first:
        before = unchecked(rows.time_ns, tile.last - 2) if tile.last - tile.first > 1 else state.last_row
        state.steady = carrier.rows_close(before, tile.last_at, params.steady)
        carrier.take_newest(tile, state, params, rows, engine_rpm)
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any, out: Any) -> None:
    for i in range(tile.first, tile.last):
        now = unchecked(rows.time_ns, i)
        _raise_if_silent(state, params, now, out)
        state.onset = emit(out, 0, CLEARED, state.onset, now, LOW, (float(now - state.last_row),))
        state.steady = carrier.rows_close(state.last_row, now, params.steady)
        state.last_row = now
        rpm = value_at(tile, engine_rpm, i)
        if rpm == rpm:
            state.has_engine_rpm = 1
            state.rpm_until = carrier.turns_until(rpm, now, params.working_rpm)
    _raise_if_silent(state, params, tile.upto, out)
    if tile.report:
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, (float(tile.upto - state.last_row),))


def overlook_silence(record: Any, until: int) -> None:
    """Let the silence that is under way count from `until` on only: what came before it may have been lost here.

    `record`: a hammer's record of STATE, which is changed. A hammer that did not work, or whose signal was lost before,
    stays so.
    """
    silent = until - record["last_row"]
    if record["last_row"] == NEVER or record["onset"] != NEVER or silent <= 0:
        return
    record["last_row"] = until
    if record["has_engine_rpm"]:
        record["rpm_until"] += silent


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.silence_s),
        settings.working_rpm,
        instant.seconds(settings.steady_s),
    )


DETECTOR: Final = Detector(
    name="signal_lost",
    version=1,
    faults=(
        Fault(
            "signal_lost",
            "Nothing heard for {silent_s:.0f} s while the carrier was working; nothing was watched meanwhile.",
            {"silent_s": seconds},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("engine_rpm",),
    horizon=lambda settings: instant.seconds(settings.silence_s),
    fresh={"last_row": NEVER, "rpm_until": NEVER, "onset": NEVER},
)
