"""sensor_fault: a channel out of its physical range, sending a not-available code, or frozen.

Not-available and error codes of the usual buses lie outside the ranges of `core.channels`. Frozen: the same value at
every sample through `frozen_s` of firing; only pressure and oil temperature are watched, which always move at work.

A hammer has at most one alert. An occurrence lasts until every channel is plausible again. The alert is over when that
has lasted for `off_delay_s`; it clears at the end of its last occurrence. So a loose plug is one alert, which counts
its occurrences. The delay is the only hysteresis: a deadband of values would leave a channel implausible whose ordinary
values lie at an end of its range, as 0 bar does.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import FIRES_ON, Detector, DetectorSettings, Older, fields_of, whole
from strikewatch.detectors.kernels import (
    CHANNEL_BITS,
    CLEARED,
    LOW,
    NEVER,
    RAISED,
    STANDING,
    emit,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import fired_since, firing_by_row, known_throughout, value_at


class Settings(DetectorSettings):
    """Implausible readings."""

    frozen_s: float = Field(
        600.0, gt=0, description="Firing time without any change after which a sensor counts as frozen, s"
    )
    off_delay_s: float = Field(
        60.0,
        ge=0,
        description="Time that every channel must be plausible before the alert ends, s (ISA-18.2 off-delay; 60 s "
        "from memory)",
    )


def _fields(bits: str) -> list[tuple[str, str]]:
    return [
        ("impossible", bits),  # one bit a channel, in the order of CHANNELS
        ("frozen", bits),
        ("seen_impossible", bits),  # all bits set since the onset
        ("seen_frozen", bits),
        ("onset", "<i8"),
        ("pressure", "<f8"),
        ("pressure_until", "<i8"),
        ("pressure_same", "<i8"),  # ns of firing without a change
        ("oil", "<f8"),
        ("oil_until", "<i8"),
        ("oil_same", "<i8"),
    ]


STATE: Final = np.dtype(
    [
        *_fields("<u8"),
        ("plausible_since", "<i8"),  # the end of the last occurrence; NEVER during one, and without an alert
        ("occurrences", "<i8"),  # since the onset
    ]
)
FIRST: Final = np.dtype(_fields("<u4"))
"""Version 1, which had room for 32 channels."""
SECOND: Final = np.dtype(_fields("<u8"))
"""Version 2, in which the alert was over at the end of its first occurrence."""
PARAMS: Final = np.dtype([("frozen", "<i8"), ("off_delay", "<i8")])

_NAMES: Final = tuple(CHANNELS)
_PRESSURE_BIT: Final = 1 << _NAMES.index("pressure_bar")
_OIL_BIT: Final = 1 << _NAMES.index("oil_c")
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns
_HOLD_OIL: Final = CHANNELS["oil_c"].hold_ns


@part
def _evidence(state: Any) -> Any:
    return float(state.seen_impossible), float(state.seen_frozen), float(state.occurrences)


@part
def _clear(state: Any, params: Any, now: int, out: Any) -> None:
    """Clear the fault if every channel has been plausible for the off-delay."""
    if state.plausible_since != NEVER and now - state.plausible_since >= params.off_delay:
        state.onset = emit(out, 0, CLEARED, state.onset, state.plausible_since, LOW, _evidence(state))
        state.plausible_since = NEVER


@part
def _update(state: Any, params: Any, at: int, out: Any) -> None:
    """Raise the fault, count an occurrence or begin the off-delay, by the channels that are wrong at this instant."""
    _clear(state, params, at, out)
    if not (state.impossible or state.frozen):
        if state.onset != NEVER and state.plausible_since == NEVER:
            state.plausible_since = at
        return
    if state.onset == NEVER:
        state.seen_impossible = state.impossible
        state.seen_frozen = state.frozen
        state.occurrences = 1
        state.onset = emit(out, 0, RAISED, at, at, LOW, _evidence(state))
    elif state.plausible_since != NEVER:
        state.occurrences += 1
    state.plausible_since = NEVER
    state.seen_impossible |= state.impossible
    state.seen_frozen |= state.frozen


@part
def _newest_change(column: Any, before: float) -> int:
    """Return the newest row whose value differs from the one before it, which for the first is `before`; -1 if none
    does.
    """
    if column.lowest < column.highest:
        i = column.last
        change = i
        newest = unchecked(column.values, i)
        while True:
            i -= 1
            value = unchecked(column.values, i)
            if value == value:
                if value != newest:
                    return change  # type: ignore[no-any-return]
                change = i
    return column.first if unchecked(column.values, column.first) != before else -1


@part
def _is_steady(tile: Any, rows: Any, column: Any, known_until: int, hold: int) -> bool:
    """Tell whether a channel is known throughout the tile, or not at all."""
    unknown = column.n == 0 and known_until <= tile.since
    return unknown or known_throughout(tile, rows, column, known_until, hold)


@part
def _newest(tile: Any, rows: Any, column: Any, value: float, same: int, known_until: int, hold: int) -> Any:
    """Return a channel's value, its firing time without a change, and how long it is known, after a steady tile."""
    if column.n == 0:
        return value, same + (tile.fired if known_until > tile.since else 0), known_until
    change = _newest_change(column, value)
    if change >= 0:
        value = unchecked(column.values, change)
        same = fired_since(tile, rows, unchecked(rows.time_ns, change))
    else:
        same += tile.fired
    return value, same, unchecked(rows.time_ns, column.last) + hold


@part
def quiet(tile: Any, state: Any, params: Any, rows: Any, pressure_bar: Any, oil_c: Any) -> bool:
    """Tell whether nothing is wrong and there is no time to freeze; keep how long each channel has been the same."""
    same = max(state.pressure_same, state.oil_same)
    if rows.bad.size > 0 or state.impossible or state.onset != NEVER or same + tile.fired >= params.frozen:
        return False
    if not _is_steady(tile, rows, pressure_bar, state.pressure_until, _HOLD_PRESSURE):
        return False
    if not _is_steady(tile, rows, oil_c, state.oil_until, _HOLD_OIL):
        return False
    state.pressure, state.pressure_same, state.pressure_until = _newest(
        tile, rows, pressure_bar, state.pressure, state.pressure_same, state.pressure_until, _HOLD_PRESSURE
    )
    state.oil, state.oil_same, state.oil_until = _newest(
        tile, rows, oil_c, state.oil, state.oil_same, state.oil_until, _HOLD_OIL
    )
    return True


@part
def run(tile: Any, state: Any, params: Any, rows: Any, pressure_bar: Any, oil_c: Any, out: Any) -> None:
    time_ns = rows.time_ns
    firing_ends = firing_by_row(tile, rows)
    bad = rows.bad
    good = rows.good
    sound = bad.size == 0 and state.impossible == 0
    troubled = state.onset != NEVER
    pressure = state.pressure
    pressure_until = state.pressure_until
    pressure_same = state.pressure_same
    oil = state.oil
    oil_until = state.oil_until
    oil_same = state.oil_same
    start = tile.since
    i = tile.first - 1
    while i < tile.last:
        if i >= tile.first:
            start = unchecked(time_ns, i)
            value = value_at(tile, pressure_bar, i)
            if value == value:
                pressure_until = start + _HOLD_PRESSURE
                if value != pressure:
                    pressure = value
                    pressure_same = 0
                    if troubled:
                        state.frozen &= ~CHANNEL_BITS(_PRESSURE_BIT)
            value = value_at(tile, oil_c, i)
            if value == value:
                oil_until = start + _HOLD_OIL
                if value != oil:
                    oil = value
                    oil_same = 0
                    if troubled:
                        state.frozen &= ~CHANNEL_BITS(_OIL_BIT)
            if not sound:
                state.impossible = (state.impossible | bad[i]) & ~good[i]
                troubled = troubled or state.impossible != 0
            if troubled:
                _update(state, params, start, out)
                troubled = state.onset != NEVER
        i += 1
        fires_until = unchecked(firing_ends, i)
        if fires_until <= start:
            continue
        fires_until = min(fires_until, unchecked(time_ns, i) if i < tile.last else tile.upto)
        pressure_was = pressure_same
        pressure_same += max(0, min(fires_until, pressure_until) - start)
        oil_was = oil_same
        oil_same += max(0, min(fires_until, oil_until) - start)
        pressure_froze = pressure_was < params.frozen <= pressure_same
        oil_froze = oil_was < params.frozen <= oil_same
        if pressure_froze or oil_froze:
            troubled = True
            # The earlier of the two first, so that the onset is the first instant of either.
            pressure_at = start + params.frozen - pressure_was
            oil_at = start + params.frozen - oil_was
            if oil_froze and not (pressure_froze and pressure_at < oil_at):
                state.frozen |= CHANNEL_BITS(_OIL_BIT)
                _update(state, params, oil_at, out)
            if pressure_froze:
                state.frozen |= CHANNEL_BITS(_PRESSURE_BIT)
                _update(state, params, pressure_at, out)
            if oil_froze:
                state.frozen |= CHANNEL_BITS(_OIL_BIT)
                _update(state, params, oil_at, out)
    state.pressure = pressure
    state.pressure_until = pressure_until
    state.pressure_same = pressure_same
    state.oil = oil
    state.oil_until = oil_until
    state.oil_same = oil_same
    _clear(state, params, tile.upto, out)
    if tile.report:
        emit(out, 0, STANDING, state.onset, tile.upto, LOW, _evidence(state))


def _params(settings: Settings) -> tuple[Any, ...]:
    return instant.seconds(settings.frozen_s), instant.seconds(settings.off_delay_s)


def _carry_over(record: Any) -> dict[str, Any]:
    return {**fields_of(record), "occurrences": int(record["onset"] != NEVER)}


def _channels(bits: float) -> str:
    return " ".join(name for k, name in enumerate(_NAMES) if int(bits) >> k & 1) or "none"


DETECTOR: Final = Detector(
    name="sensor_fault",
    version=3,
    older={1: Older(FIRST, _carry_over), 2: Older(SECOND, _carry_over)},
    faults=(
        Fault(
            "sensor_fault",
            "Implausible reading: out of range {out_of_range}; frozen {frozen}; occurrences: {occurrences}.",
            {"out_of_range": _channels, "frozen": _channels, "occurrences": whole},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    quiet=quiet,
    reads=("pressure_bar", "oil_c"),
    fresh={
        "onset": NEVER,
        "pressure": np.nan,
        "oil": np.nan,
        "pressure_until": NEVER,
        "oil_until": NEVER,
        "plausible_since": NEVER,
    },
    horizon=lambda own: max(FIRES_ON, instant.seconds(own.off_delay_s) + 1),
)
