"""A year of a hired-out hammer, for its maintenance: a row every 10 s while it works, two days a week.

Oil and pressure are not sampled, so only maintenance faults can be found. In summer it works without a gateway. One
inspection is forgotten and the service is late. Then it is idle all winter without being put in storage, and is fired
without a check.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.feed import Arrivals
from strikewatch.demo.site import SITE
from strikewatch.demo.timeline import Label

HOUR: Final = 3600 * SECOND
DAY: Final = 24 * HOUR
STEP: Final = 10 * SECOND
HAMMER: Final = "HB-05"
FIRST: Final = instant.parse("2025-06-02T06:00:00Z")
AUTUMN: Final = instant.parse("2025-09-01T06:00:00Z")
"""A Monday."""
BACK: Final = instant.parse("2026-05-20T06:00:00Z")
WORK_H: Final = 5
WEEKS: Final = 10
FORGOTTEN: Final = 3
"""In this week the inspection is done on Thursday instead of Monday."""
SUMMER_H: Final = 868.0
UNMONITORED_WEEK: Final = 6
UNMONITORED_H: Final = 46.0
"""Hours of work without the gateway, read off the meter on that week's Thursday."""


@dataclass
class _YearLog:
    """The events of the year, their labels, and the days of work."""

    events: list[Event] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    days: list[tuple[Instant, int]] = field(default_factory=list)
    meter_h: float = 12.0
    worked_h: float = 0.0
    inspect_by: Instant = FIRST + 7 * DAY
    service_by: Instant | None = None

    def add_event(self, kind: str, at: Instant, **fields: Any) -> None:
        self.events.append(Event(SITE, HAMMER, kind, at, fields))

    def add_label(self, truth: str, start: Instant, end: Instant, **fields: Any) -> None:
        self.labels.append(Label(truth, HAMMER, start, end, fields))

    def work(self, start: Instant, hours: int, *, check: bool = True, unmonitored_h: float = 0.0) -> None:
        """Add a day of work, greased at its start and every 100 min; unmonitored hours are read off the meter first."""
        self.days.append((start, hours))
        end = start + hours * HOUR
        if check:
            self.add_event("check", start - 600 * SECOND, result="ok")
        self.add_event("sign_on", start - 300 * SECOND, operator="op-17")
        if unmonitored_h or start == FIRST:
            self.add_event("hours", start, meter_h=self.meter_h + unmonitored_h, reason="reading")
        if unmonitored_h:
            # Far more than the 50 h between inspections.
            self.inspect_by = min(self.inspect_by, start)
        for at in range(start, end, 6000 * SECOND):
            self.add_event("grease", at, strokes=[16], method="manual")
        self.add_event("sign_off", end + 60 * SECOND)
        self.add_label(
            "at_controls", start - 600 * SECOND, end + 60 * SECOND, operator="op-17", signed_on=True
        )
        missing_h = 1000.0 - self.worked_h - unmonitored_h
        if 0.0 < missing_h <= hours:
            self.service_by = start + round(missing_h * HOUR)
        self.worked_h += unmonitored_h + hours
        self.meter_h += unmonitored_h + hours

    def inspect(self, at: Instant, bore_mm: float) -> None:
        if at > self.inspect_by:
            self.add_label("inspection_due", self.inspect_by, at)
        self.add_event(
            "inspection", at, bushing="second_groove_visible", turned_before=False, bore_mm=round(bore_mm, 2)
        )
        self.inspect_by = at + 7 * DAY

    def service(self, at: Instant) -> None:
        if self.service_by is not None:
            self.add_label("service_due", self.service_by, at)
        self.add_event("service", at)


def hired_out() -> tuple[list[Arrivals], list[Event], list[Label]]:
    """Return the arrivals, events and labels of the year."""
    log = _YearLog()
    log.work(FIRST, WORK_H)
    for week in range(WEEKS):
        monday = AUTUMN + week * 7 * DAY
        thursday = monday + 3 * DAY
        log.work(monday, WORK_H, unmonitored_h=SUMMER_H if week == 0 else 0.0)
        if week != FORGOTTEN:
            # A little earlier each time, so that it is never a week and a minute.
            log.inspect(monday + HOUR - week * 300 * SECOND, 81.0 + 0.03 * week)
        log.work(thursday, WORK_H, unmonitored_h=UNMONITORED_H if week == UNMONITORED_WEEK else 0.0)
        if week == FORGOTTEN:
            log.inspect(thursday + HOUR, 81.0 + 0.03 * week)
    last = log.days[-1][0] + WORK_H * HOUR
    log.service(last + HOUR)
    log.work(BACK, 1, check=False)
    log.add_label("idle", last, BACK, days=round((BACK - last) / DAY, 1))
    log.add_label("unprepared", BACK, BACK + 1200 * SECOND)
    log.add_event("check", BACK + 1200 * SECOND, result="ok")
    log.inspect(BACK + 2400 * SECOND, 81.4)
    log.add_event("storage", BACK + 2 * HOUR, state="in")
    events = sorted(log.events, key=lambda event: event.time)
    return [Arrivals.undelayed(HAMMER, Rows.join([*_rows(log.days)]))], events, log.labels


def _rows(days: list[tuple[Instant, int]]) -> Iterator[Rows]:
    """Yield the rows of each day: the engine runs throughout, the hammer fires in five rows of six."""
    for start, hours in days:
        n = np.arange(hours * 360 + 1)
        works = n < n[-1]
        yield Rows(
            (start + n * STEP).astype(np.int64),
            {
                "active": (works & (n % 6 != 5)).astype(float),
                "engine_rpm": np.where(works, 1700.0, 0.0),
            },
        )
