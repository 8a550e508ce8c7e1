"""When the carrier works: the basis of all hour counters and of `signal_lost`.

It works while its engine is known to turn above `working_rpm`. On a feed without engine speed it works from row to row
while they are at most `steady_s` apart, so whether a silence counts is known only when the next row comes.
"""

from typing import Any, Final

from pydantic import Field

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.kernels import part, unchecked
from strikewatch.detectors.tiles import known_throughout

WORKING_RPM: Final[Any] = Field(
    400.0, ge=0, description="Engine speed above which the carrier counts as working, rpm"
)
STEADY_S: Final[Any] = Field(
    10.0,
    gt=0,
    description="Without engine speed: longest time between two rows in which the carrier counts as working, s",
)
"""Fields for the settings of each detector that needs to know."""

HOLD: Final = CHANNELS["engine_rpm"].hold_ns


@part
def turns_until(engine_rpm: float, at: int, working_rpm: float) -> int:
    """Return how long the engine is known to turn fast enough after a speed sampled at `at`; `at` if too slow."""
    return at + HOLD if engine_rpm > working_rpm else at


@part
def rows_close(last_row: int, row: int, steady: int) -> bool:
    """Tell whether a feed without engine speed counts the time between two rows as work."""
    return row - last_row <= steady


@part
def works_until(has_engine_rpm: int, rpm_until: int, last_row: int, row: int, steady: int, idle: int) -> int:
    """Return how long the carrier works between the last row and a new one; `idle` if it does not."""
    if has_engine_rpm:
        return rpm_until
    return row if rows_close(last_row, row, steady) else idle


@part
def works_throughout(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> bool:
    """Tell whether the carrier works from the previous watermark to the new one.

    `state` has `has_engine_rpm`, `rpm_until` and `last_row`; `params` has `working_rpm` and `steady`. On a feed without
    engine speed both watermarks must be instants of rows.
    """
    if state.has_engine_rpm:
        fast = engine_rpm.lowest > params.working_rpm
        return fast and known_throughout(tile, rows, engine_rpm, state.rpm_until, HOLD)
    by_rows = engine_rpm.n == 0 and state.last_row == tile.since and tile.last_at == tile.upto
    return by_rows and max(tile.first_at - tile.since, tile.widest) <= params.steady  # type: ignore[no-any-return]


@part
def take_newest(tile: Any, state: Any, params: Any, rows: Any, engine_rpm: Any) -> None:
    """Take the instant of the newest row and the newest engine speed."""
    if tile.last > tile.first:
        state.last_row = tile.last_at
    if engine_rpm.n > 0:
        state.has_engine_rpm = 1
        sampled_at = unchecked(rows.time_ns, engine_rpm.last)
        newest = unchecked(engine_rpm.values, engine_rpm.last)
        state.rpm_until = turns_until(newest, sampled_at, params.working_rpm)
