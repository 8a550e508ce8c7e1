"""A limit on failed sign-ins, by the credential that was presented and by the client that presented it."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

WINDOW_S: Final = 60.0
REMEMBERED: Final = 10_000
"""Credentials and clients remembered at most, of each; the oldest are forgotten first."""


class Limiter:
    """Counts failures: no more than `most` in a minute. `clock` gives monotonic seconds. Any thread may call."""

    def __init__(self, most: int, clock: Callable[[], float]) -> None:
        self._most = most
        self._clock = clock
        self._lock = threading.Lock()
        self._by_credential: OrderedDict[str, tuple[float, int]] = OrderedDict()
        self._by_client: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def fail(self, credential: str, client: str) -> float:
        """Count one failure; seconds to wait where the credential or the client has failed too often, else 0.

        A failure over the limit is not counted, so that waiting helps.
        """
        kept = ((self._by_credential, credential), (self._by_client, client))
        with self._lock:
            now = self._clock()
            waits = max(self._wait(counts, name, now) for counts, name in kept)
            if waits <= 0:
                for counts, name in kept:
                    self._count(counts, name, now)
            return max(waits, 0.0)

    def _wait(self, counts: OrderedDict[str, tuple[float, int]], name: str, now: float) -> float:
        since, failures = counts.get(name, (now, 0))
        return since + WINDOW_S - now if failures >= self._most else 0.0

    def _count(self, counts: OrderedDict[str, tuple[float, int]], name: str, now: float) -> None:
        since, failures = counts.pop(name, (now, 0))
        counts[name] = (since, failures + 1) if now < since + WINDOW_S else (now, 1)
        if len(counts) > REMEMBERED:
            counts.popitem(last=False)
