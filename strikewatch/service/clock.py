"""The corrected wall clock: this machine's clock, unless it jumps and the hammers' clocks contradict the jump.

A jump shows as a change against the monotonic clock. Each hammer whose samples fit the time before or after the jump is
a witness, and the majority decides. Without witnesses, a jump forward is accepted at once. A jump back is accepted
after a minute, since samples that then appear to be in the future would be rejected and lost.
"""

from collections.abc import Callable
from typing import Final

import structlog

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant

_log: Final = structlog.get_logger("clock")

JUMP_NS: Final = 30 * SECOND
"""Smaller jumps are harmless and always accepted."""
FITS_NS: Final = 120 * SECOND
"""A hammer whose samples differ by more from both times is no witness: its data is late or its clock is wrong."""
RECENT_NS: Final = 60 * SECOND
"""A hammer that has been silent for longer than this, compared with the latest one, is no witness."""
HOLD_NS: Final = 60 * SECOND
"""How long a jump back is doubted without witnesses."""


class CorrectedClock:
    """The corrected wall clock. `wall` and `monotonic` return ns; `floor`: a time known to be in the past."""

    def __init__(
        self, wall: Callable[[], Instant], monotonic: Callable[[], Instant], floor: Instant = 0
    ) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._witnesses: dict[Key, tuple[Instant, Instant]] = {}  # own time less monotonic, and when heard
        self._offset = max(wall(), floor) - monotonic()
        self._since: Instant | None = None  # monotonic, when doubt began
        self.lead_ns: int = 0
        """How far the machine's clock is ahead of the corrected time, ns."""

    def record_sample(self, key: Key, newest: Instant) -> None:
        """Note that a hammer has just sent a sample with this time of its own clock."""
        now = self._monotonic()
        self._witnesses[key] = newest - now, now

    def __call__(self) -> Instant:
        """Return the corrected wall time, ns."""
        now = self._monotonic()
        offset = self._wall() - now
        jump = offset - self._offset
        if abs(jump) > JUMP_NS and self._is_contradicted(offset, now):
            if self._since is None:
                self._since = now
                _log.error(
                    "clock_jump_rejected",
                    jump_s=round(jump / SECOND),
                    remedy="set this machine's clock, by NTP",
                )
            self.lead_ns = jump
        else:
            if abs(jump) > JUMP_NS:
                _log.warning("clock_jump_accepted", jump_s=round(jump / SECOND))
            self._offset, self._since, self.lead_ns = offset, None, 0
        return now + self._offset

    def _is_contradicted(self, offset: Instant, now: Instant) -> bool:
        against = 0
        last = max((heard for _, heard in self._witnesses.values()), default=0)
        for own, heard in self._witnesses.values():
            before, after = abs(own - self._offset), abs(own - offset)
            if last - heard <= RECENT_NS and min(before, after) <= FITS_NS:
                against += 1 if before < after else -1
        if against:
            return against > 0
        return offset < self._offset and (self._since is None or now - self._since < HOLD_NS)
