"""A wall clock that runs faster than real time, for the gateways and the processor of the demo."""

import time
from collections.abc import Callable

from strikewatch.core.instant import SECOND, Instant


class PacedClock:
    """Event time that starts at `start_event_ns` and runs `pace` times as fast as the monotonic clock.

    The grace period of the processor is event time too: at pace 60, 30 s of it are half a real second.
    """

    def __init__(
        self, start_event_ns: Instant, pace: float, monotonic_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        if pace <= 0.0:
            raise ValueError(f"pace is {pace}: it must be above 0")
        self.start_event_ns = start_event_ns
        self.pace = pace
        self._monotonic_ns = monotonic_ns
        self._started_ns = monotonic_ns()

    def now_ns(self) -> Instant:
        """Return the accelerated wall-clock time."""
        return self.start_event_ns + round((self._monotonic_ns() - self._started_ns) * self.pace)

    def real_s_until(self, event_ns: Instant) -> float:
        """Return the real seconds until the clock shows `event_ns`; 0 if it is past."""
        return max(0.0, (event_ns - self.now_ns()) / (self.pace * SECOND))
