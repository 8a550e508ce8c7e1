"""Alive, and ready: what a supervisor asks, and why not."""

import threading
import time
from collections.abc import Callable
from typing import Final

from strikewatch.errors import StoreError
from strikewatch.sources.mqtt import Status
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.live.worker_stats import Pulse

KEPT_S: Final = 1.0
"""An answer holds for so long, so that asking often costs nothing."""


class Health:
    def __init__(
        self, pulse: Pulse, status: Callable[[], Status], place: DatabaseAccess, lag_s: float
    ) -> None:
        self.pulse = pulse
        self.status = status
        self._place = place
        self._lag_s = lag_s
        self._lock = threading.Lock()
        self._asked = -KEPT_S
        self._writable = False

    def reasons(self) -> list[str]:
        """Why it is not ready; empty when it is. No secret, no address."""
        found = []
        if not self.pulse.turning:
            found.append("the worker does not turn")
        broker = self.status()
        if not broker.connected:
            found.append("the broker is not connected")
        elif any(not grant.startswith("Granted") for grant in broker.grants.values()):
            found.append("the broker denies a subscription")
        if self.pulse.refused or not self._can_write():
            found.append("the database refuses to be written")
        if self.pulse.lag_s > self._lag_s:
            found.append(f"messages have waited for more than {self._lag_s:g} s")
        return found

    def _can_write(self) -> bool:
        with self._lock:
            if time.monotonic() - self._asked >= KEPT_S:
                try:
                    with self._place.write():
                        self._writable = True
                except StoreError:
                    self._writable = False
                self._asked = time.monotonic()
            return self._writable
