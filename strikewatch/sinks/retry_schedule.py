"""The retry schedule: when a failed delivery is retried, and when it is given up.

The default is the example of the Standard Webhooks specification 1.0.0 ("Deliverability and reliability"): ten attempts
in 75 h 35 min.
"""

import random
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

MAX_WAIT_S: Final = 7 * 86_400.0
"""The longest wait between two attempts, also if a receiver asks for more (seconds)."""


class Schedule(BaseModel):
    """Waits between the delivery attempts at one endpoint."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    retry_s: tuple[float, ...] = Field(
        default=(5.0, 300.0, 1800.0, 7200.0, 18_000.0, 36_000.0, 50_400.0, 72_000.0, 86_400.0),
        description="Waits between the attempts, s; after the last one the message is parked",
    )
    jitter: float = Field(
        default=0.2,
        ge=0,
        le=1,
        description="Each wait is lengthened by a random part of up to this fraction of it",
    )

    @field_validator("retry_s")
    @classmethod
    def _waits(cls, waits: tuple[float, ...]) -> tuple[float, ...]:
        if not all(0 < wait <= MAX_WAIT_S for wait in waits):
            raise ValueError("every wait must be above 0 and at most a week (604800 seconds)")
        return waits

    def wait_s(self, attempts: int, asked_s: float) -> float | None:
        """Return the wait after this many attempts, s; None: give up. At least the `asked_s` of the receiver."""
        if attempts > len(self.retry_s):
            return None
        wait_s = self.retry_s[attempts - 1] * (1 + random.uniform(0, self.jitter))
        return min(max(wait_s, asked_s), MAX_WAIT_S)
