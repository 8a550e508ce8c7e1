"""Parse instants, durations and time windows as people type them."""

import re
from dataclasses import dataclass
from typing import Final

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused

_UNITS: Final = {"s": 1, "min": 60, "h": 3600, "d": 86_400}
_SPAN: Final = re.compile(r"(?:\d+(?:\.\d+)?(?:s|min|h|d))+", re.ASCII)
_PART: Final = re.compile(r"(\d+(?:\.\d+)?)(s|min|h|d)", re.ASCII)


def parse_time(given: str, now: Instant, *, back: bool = False) -> Instant:
    """Parse an RFC 3339 instant, or a duration (45min, 2h, 1h30min, 3d) from now, or before now with `back`.

    Raises Refused for anything else.
    """
    if _SPAN.fullmatch(given):
        span = sum(round(float(n) * _UNITS[unit] * SECOND) for n, unit in _PART.findall(given))
        at = now - span if back else now + span
        if instant.EARLIEST <= at < instant.LATEST:
            return at
    else:
        try:
            return instant.parse(given)
        except ValueError:
            pass
    raise Refused(
        f"{given!r} is not a time: write 45min, 2h or 3d, or an instant such as 2026-11-25T16:00:00Z"
    )


def parse_period(begin: str | None, end: str | None, now: Instant) -> tuple[Instant | None, Instant | None]:
    """Parse --from and --to; durations reach back from `now`. Raises Refused if they are not times or not in order."""
    first, last = (None if at is None else parse_time(at, now, back=True) for at in (begin, end))
    check_order(first, last)
    return first, last


def check_order(begin: Instant | None, end: Instant | None) -> None:
    """Raise Refused unless a period begins before it ends; None: open."""
    if begin is not None and end is not None and end <= begin:
        raise Refused("--from must be before --to")


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """A hammer and the window [begin, end); None: any hammer, or open at that end."""

    hammer: str | None = None
    begin: Instant | None = None
    end: Instant | None = None

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
