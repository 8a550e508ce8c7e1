"""A year of a hired-out hammer, told by its upkeep: a row every 10 s while it works, two days a week.

Nobody watches its oil or its blows, so that nothing but upkeep is to be found. It spends a summer where there is no
gateway, one inspection is forgotten and the service comes late; then it rests all winter without being put in storage,
and is fired at once.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.feed_faults import Arrivals
from strikewatch.demo.labels import Label
from strikewatch.demo.site import SITE

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
"""The week whose Monday inspection is made up for on its Thursday."""
SUMMER_H: Final = 868.0
UNHEARD_WEEK: Final = 6
UNHEARD_H: Final = 46.0
"""AttributedBout without the gateway, read off the meter on that week's Thursday."""


@dataclass
class _Diary:
    """What is done, and what is true of it."""

    events: list[Event] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    days: list[tuple[Instant, int]] = field(default_factory=list)
    meter_h: float = 12.0
    worked_h: float = 0.0
    inspect_by: Instant = FIRST + 7 * DAY
    service_by: Instant | None = None

    def do(self, kind: str, at: Instant, **fields: Any) -> None:
        self.events.append(Event(SITE, HAMMER, kind, at, fields))

    def true(self, truth: str, start: Instant, end: Instant, **fields: Any) -> None:
        self.labels.append(Label(truth, HAMMER, start, end, fields))

    def work(self, start: Instant, hours: int, *, check: bool = True, unheard_h: float = 0.0) -> None:
        """A day's work, greased every 100 min, at its beginning too; what was worked unheard is read then."""
        self.days.append((start, hours))
        end = start + hours * HOUR
        if check:
            self.do("check", start - 600 * SECOND, result="ok")
        self.do("sign_on", start - 300 * SECOND, operator="op-17")
        if unheard_h or start == FIRST:
            self.do("hours", start, meter_h=self.meter_h + unheard_h, reason="reading")
        if unheard_h:
            # Far more than the 50 h between inspections.
            self.inspect_by = min(self.inspect_by, start)
        for at in range(start, end, 6000 * SECOND):
            self.do("grease", at, strokes=[16], method="manual")
        self.do("sign_off", end + 60 * SECOND)
        self.true("at_controls", start - 600 * SECOND, end + 60 * SECOND, operator="op-17", signed_on=True)
        missing_h = 1000.0 - self.worked_h - unheard_h
        if 0.0 < missing_h <= hours:
            self.service_by = start + round(missing_h * HOUR)
        self.worked_h += unheard_h + hours
        self.meter_h += unheard_h + hours

    def inspect(self, at: Instant, bore_mm: float) -> None:
        if at > self.inspect_by:
            self.true("inspection_due", self.inspect_by, at)
        self.do(
            "inspection", at, bushing="second_groove_visible", turned_before=False, bore_mm=round(bore_mm, 2)
        )
        self.inspect_by = at + 7 * DAY

    def service(self, at: Instant) -> None:
        if self.service_by is not None:
            self.true("service_due", self.service_by, at)
        self.do("service", at)


def hired_out() -> tuple[list[Arrivals], list[Event], list[Label]]:
    """What the gateway and the people with it told, and what was true."""
    diary = _Diary()
    diary.work(FIRST, WORK_H)
    for week in range(WEEKS):
        monday = AUTUMN + week * 7 * DAY
        thursday = monday + 3 * DAY
        diary.work(monday, WORK_H, unheard_h=SUMMER_H if week == 0 else 0.0)
        if week != FORGOTTEN:
            # A little earlier each time, so that it is never a week and a minute.
            diary.inspect(monday + HOUR - week * 300 * SECOND, 81.0 + 0.03 * week)
        diary.work(thursday, WORK_H, unheard_h=UNHEARD_H if week == UNHEARD_WEEK else 0.0)
        if week == FORGOTTEN:
            diary.inspect(thursday + HOUR, 81.0 + 0.03 * week)
    last = diary.days[-1][0] + WORK_H * HOUR
    diary.service(last + HOUR)
    diary.work(BACK, 1, check=False)
    diary.true("idle", last, BACK, days=round((BACK - last) / DAY, 1))
    diary.true("unprepared", BACK, BACK + 1200 * SECOND)
    diary.do("check", BACK + 1200 * SECOND, result="ok")
    diary.inspect(BACK + 2400 * SECOND, 81.4)
    diary.do("storage", BACK + 2 * HOUR, state="in")
    events = sorted(diary.events, key=lambda event: event.time)
    return [Arrivals.prompt(HAMMER, Rows.join([*_rows(diary.days)]))], events, diary.labels


def _rows(days: list[tuple[Instant, int]]) -> Iterator[Rows]:
    """The engine runs from the first row of a day to the last, the hammer fires at five of six."""
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
