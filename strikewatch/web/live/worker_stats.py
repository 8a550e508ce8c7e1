"""Statistics of the worker: written by its thread, read by others. Single assignments, so no lock."""

import time
from collections.abc import Callable
from typing import Final

FRESH_S: Final = 10.0
"""A worker whose last turn is longer ago than this is not alive."""


class WorkerStats:
    """Progress of the worker. `monotonic` gives seconds."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._last_turn_s: float | None = None
        self._step_ended_s: float | None = None
        self._step_began_s: float | None = None
        self._waited_s = 0.0
        self.store_blocked = False
        """Whether the database refuses the step in progress."""
        self.on_step: Callable[[float], None] = lambda _duration_s: None
        """Called with the duration of each step, s."""

    def record_turn(self) -> None:
        """Note that the worker has completed a turn."""
        self._last_turn_s, self.store_blocked = self._monotonic(), False

    def record_blocked(self) -> None:
        """Note that the worker is alive and waits for a database that refuses."""
        self._last_turn_s, self.store_blocked = self._monotonic(), True

    def begin_step(self, waited_s: float) -> None:
        """Note the beginning of a step whose oldest message has waited `waited_s`."""
        self._step_began_s, self._waited_s = self._monotonic(), max(waited_s, 0.0)

    def end_step(self) -> None:
        """Note that the step is done and acknowledged."""
        self._step_ended_s = self._monotonic()
        if self._step_began_s is not None:
            self.on_step(self._step_ended_s - self._step_began_s)
        self._step_began_s = None

    @property
    def alive(self) -> bool:
        """Whether the worker has completed a turn in the last 10 s."""
        return self._last_turn_s is not None and self._monotonic() - self._last_turn_s < FRESH_S

    @property
    def lag_s(self) -> float:
        """Time that the oldest message of the step in progress has waited, 0 between steps."""
        began_s = self._step_began_s
        return 0.0 if began_s is None else self._waited_s + self._monotonic() - began_s

    @property
    def step_age_s(self) -> float | None:
        """Time since the last step, None before the first."""
        return None if self._step_ended_s is None else self._monotonic() - self._step_ended_s
