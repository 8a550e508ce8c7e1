"""Hours of the week by the wall clock of a place, such as `Mon-Fri 06:00-18:00`.

A stretch that ends before it begins runs past midnight: `Fri 22:00-06:00` ends on Saturday. What counts is what a clock
on the wall of the site shows, so that changes to and from summer time need no thought: in the night when the clock goes
back the hour that comes twice counts twice, and one that is skipped does not come.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from strikewatch.core.instant import Instant

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAY: Final = 24 * 60
WEEK: Final = 7 * DAY
_STRETCH: Final = re.compile(
    r"(?P<first>[A-Z][a-z]{2})(-(?P<last>[A-Z][a-z]{2}))? (?P<h1>\d\d):(?P<m1>\d\d)-(?P<h2>\d\d):(?P<m2>\d\d)",
    re.ASCII,
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

Stretches = tuple[tuple[int, int], ...]
"""(begin, end) in minutes from Monday 00:00; the end, not included, may lie in the next week."""


def parse(texts: Iterable[str]) -> Stretches:
    """Stretches of the week. Raises ValueError that says what is wrong."""
    return tuple(stretch for text in texts for stretch in _parse(text))


def within(stretches: Stretches, at: Instant, zone: ZoneInfo) -> bool:
    """Whether an instant lies in one of them, by the clocks of `zone`."""
    local = (_EPOCH + timedelta(microseconds=at // 1000)).astimezone(zone)
    minute = local.weekday() * DAY + local.hour * 60 + local.minute
    return any(begin <= minute < end or minute + WEEK < end for begin, end in stretches)


def _parse(text: str) -> list[tuple[int, int]]:
    found = _STRETCH.fullmatch(text)
    days = [found["first"], found["last"] or found["first"]] if found else []
    if not found or not set(days) <= set(DAYS):
        raise ValueError(
            f"{text!r} is not like 'Mon-Fri 06:00-18:00' or 'Sat 22:00-06:00' ({', '.join(DAYS)})"
        )
    begin, end = (_minute(found, part) for part in "12")
    if begin in (DAY, end):
        raise ValueError(f"{text!r} begins and ends at once; a whole day is 00:00-24:00")
    first, last = (DAYS.index(day) for day in days)
    length = (end - begin) % DAY or DAY
    begins = [(first + k) % 7 * DAY + begin for k in range((last - first) % 7 + 1)]
    return [(each, each + length) for each in begins]


def _minute(found: re.Match[str], part: str) -> int:
    hour, minute = int(found[f"h{part}"]), int(found[f"m{part}"])
    if minute > 59 or hour * 60 + minute > DAY:
        raise ValueError(f"{hour:02}:{minute:02} is no time of the day")
    return hour * 60 + minute
