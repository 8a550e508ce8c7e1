"""How the worker is doing, noted by its thread and read by others: single assignments, so no lock."""

import time
from collections.abc import Callable
from typing import Final

FRESH_S: Final = 10.0
"""A turn longer ago than this is no sign of life."""


class Pulse:
    """`clock` is monotonic seconds; `stepped` is given the seconds of each step once `watch` has set it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._turned: float | None = None
        self._ended: float | None = None
        self._began: float | None = None
        self._waited_s = 0.0
        self.refused = False
        """Whether the database refuses the step under way."""
        self.watch: Callable[[float], None] = lambda _took_s: None

    def turn(self) -> None:
        """The worker has come round."""
        self._turned, self.refused = self._clock(), False

    def refuse(self) -> None:
        """The worker is alive, and waits for a database that refuses."""
        self._turned, self.refused = self._clock(), True

    def begin(self, waited_s: float) -> None:
        """A step begins, whose oldest message has waited for so long."""
        self._began, self._waited_s = self._clock(), max(waited_s, 0.0)

    def end(self) -> None:
        """The step is done and acknowledged."""
        self._ended = self._clock()
        if self._began is not None:
            self.watch(self._ended - self._began)
        self._began = None

    @property
    def turning(self) -> bool:
        return self._turned is not None and self._clock() - self._turned < FRESH_S

    @property
    def lag_s(self) -> float:
        """How long the oldest message of the step under way has waited; 0 while there is none."""
        began = self._began
        return 0.0 if began is None else self._waited_s + self._clock() - began

    @property
    def step_age_s(self) -> float | None:
        """Since the last step; None before the first."""
        return None if self._ended is None else self._clock() - self._ended
