"""Filters: which alerts an endpoint gets.

An endpoint gets an alert from the first step that the filter accepts: usually when it is raised, else when it
escalates. That first step is always sent as `raised`, with the record as it is then; every later step of the alert is
sent regardless of the filter and the hour. So a receiver always sees `raised` first, and also the end of every alert.

Hours of the week, such as `Mon-Fri 06:00-18:00`, are in the local time of the site. A range that ends before it begins
runs past midnight: `Fri 22:00-06:00` ends on Saturday. When the clock is set back, the repeated hour counts twice; when
it is set forward, the skipped hour does not occur.
"""

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator

from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.detectors.registry import FAULTS as DETECTOR_FAULTS
from strikewatch.engine.self_alerts import SELF_ALERTS
from strikewatch.sinks.sites import Sites

FAULTS: Final = (
    *DETECTOR_FAULTS,
    *(fault.name for fault in SELF_ALERTS),
)

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


class Filter(BaseModel):
    """Conditions for an alert to be sent to an endpoint; an empty list accepts everything."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    sites: tuple[str, ...] = Field(default=(), description="Only these sites; empty: all")
    hammers: tuple[str, ...] = Field(default=(), description="Only these hammers; empty: all")
    faults: tuple[str, ...] = Field(default=(), description="Only these faults; empty: all")
    lowest: Priority = Field(
        default="low", description="The lowest priority that is sent: low, medium or high"
    )
    hours: tuple[str, ...] = Field(
        default=(),
        description="Only at these hours of the week at the site, such as Mon-Fri 06:00-18:00; empty: always",
    )

    @field_validator("faults")
    @classmethod
    def _known(cls, faults: tuple[str, ...]) -> tuple[str, ...]:
        if unknown := sorted(set(faults) - set(FAULTS)):
            raise ValueError(f"{', '.join(unknown)}: no such fault; there are {', '.join(FAULTS)}")
        return faults

    @field_validator("hours")
    @classmethod
    def _hours(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        parse_hours(texts)
        return texts

    @cached_property
    def _ranges(self) -> WeekRanges:
        return parse_hours(self.hours)

    def passes(self, record: Mapping[str, Any], now: Instant | None, zone: ZoneInfo) -> bool:
        """Return whether an alert's record passes the filter at the wall time `now`; None: ignore the hours."""
        return (
            (not self.sites or record["site"] in self.sites)
            and (not self.hammers or record["hammer"] in self.hammers)
            and (not self.faults or record["fault"] in self.faults)
            and PRIORITIES.index(record["priority"]) >= PRIORITIES.index(self.lowest)
            and (now is None or not self.hours or in_ranges(self._ranges, now, zone))
        )


class Routes:
    """The filters of all endpoints, by name; the store calls it when it queues messages."""

    def __init__(self, filters: Mapping[str, Filter], sites: Sites) -> None:
        self._filters = filters
        self._sites = sites

    def __call__(self, endpoint: str, record: Mapping[str, Any], now: Instant | None) -> bool:
        """Return whether an endpoint gets an alert at the wall time `now`; None: at any time."""
        return self._filters[endpoint].passes(record, now, self._sites.zone_of(record["site"]))


def parse_hours(texts: Iterable[str]) -> WeekRanges:
    """Parse ranges of the week. Raises ValueError that says what is wrong."""
    return tuple(span for text in texts for span in _parse_range(text))


def in_ranges(ranges: WeekRanges, at: Instant, zone: ZoneInfo) -> bool:
    """Return whether an instant lies in one of the ranges, in the local time of `zone`."""
    local = (_EPOCH + timedelta(microseconds=at // 1000)).astimezone(zone)
    minute = local.weekday() * DAY_MIN + local.hour * 60 + local.minute
    return any(begin <= minute < end or minute + WEEK_MIN < end for begin, end in ranges)


def _parse_range(text: str) -> list[tuple[int, int]]:
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


def _minute(match: re.Match[str], part: str) -> int:
    hour, minute = int(match[f"h{part}"]), int(match[f"m{part}"])
    if minute > 59 or hour * 60 + minute > DAY_MIN:
        raise ValueError(f"{hour:02}:{minute:02} is not a time of day")
    return hour * 60 + minute
