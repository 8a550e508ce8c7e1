"""A week by hammer and day: firing hours and faults of operating, in the site's own days."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import select

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import COMMON, MISUSE
from strikewatch.engine.alarm_kpis import AlarmKpis, compute_kpis
from strikewatch.engine.flood import Rules
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.filter import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import intervals
from strikewatch.storage.schema.bout_tables import exposure
from strikewatch.storage.schema.tables import alerts
from strikewatch.web.pages.formatting import day_begins

DAYS: Final = 7
OF_OPERATOR: Final = (*COMMON, *MISUSE)


@dataclass(slots=True)
class Row:
    """One hammer's week: firing hours and faults, by day."""

    firing_h: defaultdict[date, float] = field(default_factory=lambda: defaultdict(float))
    faults: Counter[date] = field(default_factory=Counter)


@dataclass(slots=True)
class SiteWeek:
    """The days of a site's week, and its hammers' rows by name."""

    days: list[date]
    hammers: dict[str, Row]
    figures: AlarmKpis

    def total(self, by_day: Mapping[date, float]) -> float:
        return sum(by_day[day] for day in self.days)


def week_of(now: Instant, zone: ZoneInfo, back: int) -> tuple[Instant, Instant]:
    """The site's seven days that end with today, or so many weeks earlier: from midnight to midnight, ns."""
    last = local_time(now, zone).date() - timedelta(days=DAYS * back)
    return day_begins(last - timedelta(days=DAYS - 1), zone), day_begins(last + timedelta(days=1), zone)


class Week:
    """`rules` say what counts as a flood."""

    def __init__(self, place: DatabaseAccess, sites: Sites, rules: Rules) -> None:
        self._place = place
        self._sites = sites
        self._rules = rules

    def look(self, now: Instant, back: int) -> dict[str, SiteWeek]:
        """Site → the seven days that end with today's, or so many weeks earlier. A stretch of work, at most a clock
        hour, counts to the day in which it begins."""
        begin = now - (8 + 7 * back) * 86_400 * SECOND  # a day more than any zone's week needs
        end = now - (7 * back - 1) * 86_400 * SECOND
        found: dict[Key, Row] = defaultdict(Row)
        e, a = exposure.c, alerts.c
        with self._place.read() as connection:
            fired = select(e.site, e.hammer, e.start_ns, e.firing_ns).where(
                e.start_ns >= begin, e.start_ns < end
            )
            for site, hammer, start, spent in connection.execute(fired):
                day = local_time(start, self._sites.zone_of(site)).date()
                found[site, hammer].firing_h[day] += spent / (3600 * SECOND)
            raised = select(a.site, a.hammer, a.onset_ns).where(
                a.fault.in_(OF_OPERATOR), a.onset_ns >= begin, a.onset_ns < end
            )
            for site, hammer, onset in connection.execute(raised):
                found[site, hammer].faults[local_time(onset, self._sites.zone_of(site)).date()] += 1
            told = intervals(connection, end)
        weeks: dict[str, SiteWeek] = {}
        for (site, hammer), row in sorted(found.items()):
            last = local_time(now, self._sites.zone_of(site)).date() - timedelta(days=DAYS * back)
            days = [last - timedelta(days=DAYS - 1 - k) for k in range(DAYS)]
            if site not in weeks:
                until = min(now, now - 7 * back * 86_400 * SECOND)
                over = compute_kpis(told.get(site, ()), until - DAYS * 86_400 * SECOND, until, self._rules)
                weeks[site] = SiteWeek(days, {}, over)
            weeks[site].hammers[hammer] = row
        return weeks
