"""Parse instants and durations as people type them."""

import re
from typing import Final

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused

WHEN: Final = "an instant (2026-11-25T06:00:00Z) or how long %s (45min, 2h, 3d)"
"""What `parse_time` accepts, for help texts; `%s`: from now or ago."""
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


def short_text(at: Instant) -> str:
    """Format an instant for people: month, day, hour and minute, UTC."""
    return instant.text(at)[5:16].replace("T", " ")
