"""Hours of the week in the local time of a site, such as `Mon-Fri 06:00-18:00`.

A range that ends before it begins runs past midnight: `Fri 22:00-06:00` ends on Saturday. Local time decides: when
the clock is set back, the repeated hour counts twice; when it is set forward, the skipped hour does not occur.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from strikewatch.core.instant import Instant

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAY_MIN: Final = 24 * 60
WEEK_MIN: Final = 7 * DAY_MIN
_RANGE: Final = re.compile(
    r"(?P<first>[A-Z][a-z]{2})(-(?P<last>[A-Z][a-z]{2}))? (?P<h1>\d\d):(?P<m1>\d\d)-(?P<h2>\d\d):(?P<m2>\d\d)",
    re.ASCII,
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

WeekRanges = tuple[tuple[int, int], ...]
"""(begin, end) in minutes from Monday 00:00; the end is excluded and may lie in the next week."""


def parse(texts: Iterable[str]) -> WeekRanges:
    """Parse ranges of the week. Raises ValueError that says what is wrong."""
    return tuple(one for text in texts for one in _parse(text))


def in_ranges(stretches: WeekRanges, at: Instant, zone: ZoneInfo) -> bool:
    """Return whether an instant lies in one of the ranges, in the local time of `zone`."""
    local = (_EPOCH + timedelta(microseconds=at // 1000)).astimezone(zone)
    minute = local.weekday() * DAY_MIN + local.hour * 60 + local.minute
    return any(begin <= minute < end or minute + WEEK_MIN < end for begin, end in stretches)


def _parse(text: str) -> list[tuple[int, int]]:
    found = _RANGE.fullmatch(text)
    days = [found["first"], found["last"] or found["first"]] if found else []
    if not found or not set(days) <= set(DAYS):
        raise ValueError(
            f"{text!r} is not like 'Mon-Fri 06:00-18:00' or 'Sat 22:00-06:00' ({', '.join(DAYS)})"
        )
    begin, end = (_minute(found, part) for part in "12")
    if begin in (DAY_MIN, end):
        raise ValueError(f"{text!r} begins and ends at the same time; a whole day is 00:00-24:00")
    first, last = (DAYS.index(day) for day in days)
    length = (end - begin) % DAY_MIN or DAY_MIN
    begins = [(first + k) % 7 * DAY_MIN + begin for k in range((last - first) % 7 + 1)]
    return [(each, each + length) for each in begins]


def _minute(found: re.Match[str], part: str) -> int:
    hour, minute = int(found[f"h{part}"]), int(found[f"m{part}"])
    if minute > 59 or hour * 60 + minute > DAY_MIN:
        raise ValueError(f"{hour:02}:{minute:02} is not a time of day")
    return hour * 60 + minute
