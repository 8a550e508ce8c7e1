"""When the carrier works: the basis of all hour counters and of `signal_lost`.

It works while its engine is known to turn above `working_rpm`. On a feed without engine speed it works from row to row
while they are at most `steady_s` apart, so whether a silence counts is known only when the next row comes.
"""

from typing import Any, Final

from pydantic import Field

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.kernels import part

WORKING_RPM: Final[Any] = Field(400.0, ge=0, description="The carrier works above this engine speed, rpm")
STEADY_S: Final[Any] = Field(
    10.0, gt=0, description="Without engine speed: it works while rows come this close, s"
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
