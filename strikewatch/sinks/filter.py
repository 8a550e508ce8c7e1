"""Filters: which alerts an endpoint gets.

An endpoint gets an alert from the first step that the filter accepts: usually when it is raised, else when it
escalates. That first step is always sent as `raised`, with the record as it is then; every later step of the alert is
sent regardless of the filter and the hour. So a receiver always sees `raised` first, and also the end of every alert.
"""

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator

from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.instant import Instant
from strikewatch.detectors.registry import FAULTS as DETECTOR_FAULTS
from strikewatch.engine.self_alerts import SELF_ALERTS
from strikewatch.sinks.weekly_hours import WeekRanges, in_ranges, parse

FAULTS: Final = (
    *DETECTOR_FAULTS,
    *(fault.name for fault in SELF_ALERTS),
)


class Filter(BaseModel):
    """Conditions for an alert to be sent to an endpoint; an empty list accepts everything."""

    model_config = ConfigDict(frozen=True, extra="forbid")

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
        parse(texts)
        return texts

    @cached_property
    def _ranges(self) -> WeekRanges:
        return parse(self.hours)

    def passes(self, record: Mapping[str, Any], now: Instant | None, zone: ZoneInfo) -> bool:
        """Return whether an alert's record passes the filter at the wall time `now`; None: ignore the hours."""
        return (
            (not self.sites or record["site"] in self.sites)
            and (not self.hammers or record["hammer"] in self.hammers)
            and (not self.faults or record["fault"] in self.faults)
            and PRIORITIES.index(record["priority"]) >= PRIORITIES.index(self.lowest)
            and (now is None or not self.hours or in_ranges(self._ranges, now, zone))
        )


class Sites(BaseModel):
    """Properties of the sites."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    zone: str = Field(
        default="UTC", description="Time zone of the sites, such as Europe/Dublin, for hours of the week"
    )
    zones: dict[str, str] = Field(default={}, description="Time zones of sites that differ, by site")

    @field_validator("zone", "zones")
    @classmethod
    def _exist(cls, given: str | dict[str, str]) -> str | dict[str, str]:
        for name in [given] if isinstance(given, str) else given.values():
            try:
                ZoneInfo(name)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError(f"there is no time zone {name!r}; names are like Europe/Dublin") from None
        return given

    def zone_of(self, site: str) -> ZoneInfo:
        return ZoneInfo(self.zones.get(site, self.zone))


class Routes:
    """The filters of all endpoints, by name; the store calls it when it queues messages."""

    def __init__(self, filters: Mapping[str, Filter], sites: Sites) -> None:
        self._filters = filters
        self._sites = sites

    def __call__(self, endpoint: str, record: Mapping[str, Any], now: Instant | None) -> bool:
        """Return whether an endpoint gets an alert at the wall time `now`; None: at any time."""
        return self._filters[endpoint].passes(record, now, self._sites.zone_of(record["site"]))
