"""The part of a recording to show: one hammer and a time window.

A replay still runs the whole recording, since earlier data matters: learned baselines, hours since greasing.
"""

from dataclasses import dataclass

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.service.time_parsing import parse_time


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """A hammer and the window [begin, end); None: any hammer, or open at that end."""

    hammer: str | None = None
    begin: Instant | None = None
    end: Instant | None = None

    @staticmethod
    def asked(hammer: str | None, begin: str | None, end: str | None, now: Instant) -> "TimeWindow":
        """Parse the options; durations reach back from `now`. Raises Refused if the window is empty."""
        first, last = (None if at is None else parse_time(at, now, back=True) for at in (begin, end))
        if first is not None and last is not None and last <= first:
            raise Refused("--from must be before --to")
        return TimeWindow(hammer, first, last)

    def has(self, hammer: str, first: Instant, last: Instant | None) -> bool:
        """Return whether an interval overlaps the window; `last` None: it has not ended."""
        return (
            self.hammer in (None, hammer)
            and (self.end is None or first < self.end)
            and (self.begin is None or last is None or last >= self.begin)
        )

    def overlaps_alert(self, record: dict[str, object]) -> bool:
        cleared = record["cleared"]
        last = None if cleared is None else instant.parse(str(cleared))
        return self.has(str(record["hammer"]), instant.parse(str(record["onset"])), last)
