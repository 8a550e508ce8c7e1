"""What time it is, as best known: what this machine's clock says, unless it jumps and the hammers speak against it.

A clock that is set differs afterwards from the monotonic one by the jump. Whether it was set right or wrong only others
can tell: each hammer whose samples fit the time before it or the time after it is a witness, and most of them decide.
Where nobody can, a jump ahead is believed at once, and one back after a minute, since what it would make us refuse as
"ahead" is lost.
"""

from collections.abc import Callable
from typing import Final

import structlog

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant

_log: Final = structlog.get_logger("clock")

JUMP_NS: Final = 30 * SECOND
"""What a clock is set by less than this does no harm, and is simply followed."""
FITS_NS: Final = 120 * SECOND
"""Samples further than this from either time are old ones sent late, or of a wrong clock: no witness."""
RECENT_NS: Final = 60 * SECOND
"""A hammer silent for this long when another has been heard is no witness any more."""
HOLD_NS: Final = 60 * SECOND
"""How long a jump back is doubted where there is no witness."""


class Present:
    """The wall clock as corrected. `wall` and `monotonic` tell ns; `floor`: it was at least that late already."""

    def __init__(
        self, wall: Callable[[], Instant], monotonic: Callable[[], Instant], floor: Instant = 0
    ) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._witnesses: dict[Key, tuple[Instant, Instant]] = {}  # own time less monotonic, and when heard
        self._offset = max(wall(), floor) - monotonic()
        self._since: Instant | None = None  # monotonic, when doubt began
        self.doubt: int = 0
        """How much later, ns, the machine's clock says it is than we believe."""

    def heard(self, key: Key, newest: Instant) -> None:
        """A hammer has just sent a sample of this instant by its own clock."""
        now = self._monotonic()
        self._witnesses[key] = newest - now, now

    def __call__(self) -> Instant:
        """The present, in ns."""
        now = self._monotonic()
        offset = self._wall() - now
        jump = offset - self._offset
        if abs(jump) > JUMP_NS and self._doubtful(offset, now):
            if self._since is None:
                self._since = now
                _log.error(
                    "clock_doubted", jump_s=round(jump / SECOND), remedy="set this machine's clock, by NTP"
                )
            self.doubt = jump
        else:
            if abs(jump) > JUMP_NS:
                _log.warning("clock_set", jump_s=round(jump / SECOND))
            self._offset, self._since, self.doubt = offset, None, 0
        return now + self._offset

    def _doubtful(self, offset: Instant, now: Instant) -> bool:
        against = 0
        last = max((heard for _, heard in self._witnesses.values()), default=0)
        for own, heard in self._witnesses.values():
            before, after = abs(own - self._offset), abs(own - offset)
            if last - heard <= RECENT_NS and min(before, after) <= FITS_NS:
                against += 1 if before < after else -1
        if against:
            return against > 0
        return offset < self._offset and (self._since is None or now - self._since < HOLD_NS)
