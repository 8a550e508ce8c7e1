"""A wall clock that runs faster: the demo's gateways stamp by it and the processor tells the time by it."""

import time
from collections.abc import Callable

from strikewatch.core.instant import SECOND, Instant


class PacedClock:
    """Event time from `start_event_ns` on, `pace` times as fast as the monotonic clock, from its creation on.

    A grace that the processor grants is event time too: at pace 60 a grace of 30 s is half a real second.
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
        """The accelerated wall clock."""
        return self.start_event_ns + round((self._monotonic_ns() - self._started_ns) * self.pace)

    def real_s_until(self, event_ns: Instant) -> float:
        """Real seconds until the clock shows `event_ns`; 0 where it is past."""
        return max(0.0, (event_ns - self.now_ns()) / (self.pace * SECOND))
