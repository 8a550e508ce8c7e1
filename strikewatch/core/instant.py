"""Instants: int64 nanoseconds since the Unix epoch, and RFC 3339 text at the edges."""

import re
from datetime import UTC, datetime, timedelta
from typing import Final

Instant = int
"""Nanoseconds since 1970-01-01T00:00:00Z, leap seconds not counted."""

SECOND: Final = 1_000_000_000
EARLIEST: Final = 0
LATEST: Final = 4_102_444_800 * SECOND
"""2100-01-01T00:00:00Z: a time at or after it comes from a wrong clock."""

_RFC3339: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(?:\.(\d{1,9})\d*)?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH: Final = _EPOCH.replace(tzinfo=None)


def seconds(value_s: float) -> int:
    """Convert seconds to whole nanoseconds, rounded to the nearest."""
    return round(value_s * SECOND)


def parse(text: str) -> Instant:
    """Read an RFC 3339 date-time with an offset; a leap second (:60) is the first instant of the next minute.

    Raises ValueError for anything else: naive times, dates alone, numbers, impossible dates.
    """
    match = _RFC3339.fullmatch(text)
    if not match:
        raise ValueError("not an RFC 3339 time with an offset, like 2026-03-04T07:15:00.100Z")
    day, minute, second, fraction, offset = match.groups()
    if int(second) > 60:
        raise ValueError(f"second {second} does not exist")
    if offset in "Zz":
        offset = "+00:00"
    elif offset[4:] > "59" or offset[1:3] > "23":
        raise ValueError(f"offset {offset} does not exist")
    moment = datetime.fromisoformat(f"{day}T{minute}:00{offset}") - _EPOCH
    nanos = int((fraction or "").ljust(9, "0"))
    return (moment.days * 86_400 + moment.seconds + int(second)) * SECOND + nanos


def text(instant: Instant) -> str:
    """Format as RFC 3339 in UTC with microseconds, truncated (not rounded), as in alert records."""
    moment = _NAIVE_EPOCH + timedelta(microseconds=instant // 1000)
    return moment.isoformat(timespec="microseconds") + "Z"


def exact_text(instant: Instant) -> str:
    """Format as RFC 3339 in UTC, to the nanosecond where microseconds would lose digits."""
    shown = text(instant)
    return f"{shown[:-1]}{instant % 1000:03d}Z" if instant % 1000 else shown
