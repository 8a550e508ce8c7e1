"""A week by hammer and day, in the site's own days."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import select
from starlette.responses import Response

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import COMMON, MISUSE
from strikewatch.engine.alarm_kpis import DAY, AlarmKpis, compute_kpis
from strikewatch.engine.flood import Rules
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.sites import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import intervals
from strikewatch.storage.queries.sites import Sites as Allowed
from strikewatch.storage.queries.sites import of_sites
from strikewatch.storage.schema.tables import alerts, exposure
from strikewatch.web.authentication import ANONYMOUS
from strikewatch.web.pages.formatting import day_begins
from strikewatch.web.pages.page import PageRequest, Pages

DAYS: Final = 7
OPERATOR_FAULTS: Final = (*COMMON, *MISUSE)


def week(pages: Pages, page: PageRequest) -> Response:
    """Show firing hours and faults by hammer and day, and the alarm metrics."""
    rules = Rules.of(pages.context.alarms)
    return pages.render(
        page,
        "week.html",
        weeks_back=page.weeks_back,
        sites=read_weeks(
            pages.context.database, pages.sites, rules, page.now, page.weeks_back, pages.context.sites
        ),
        can_review=page.holder.may("review") and page.holder is not ANONYMOUS,
    )


@dataclass(slots=True)
class HammerWeek:
    """Firing hours and faults of one hammer by day."""

    firing_h: defaultdict[date, float] = field(default_factory=lambda: defaultdict(float))
    faults: Counter[date] = field(default_factory=Counter)


@dataclass(slots=True)
class SiteWeek:
    """The days of a site's week, its hammers by name, and its alarm metrics."""

    days: list[date]
    hammers: dict[str, HammerWeek]
    kpis: AlarmKpis

    def total(self, by_day: Mapping[date, float]) -> float:
        """Sum over the days of the week."""
        return sum(by_day[day] for day in self.days)


def week_of(now: Instant, zone: ZoneInfo, weeks_back: int) -> tuple[Instant, Instant]:
    """Return the seven local days that end with today, or that many weeks earlier: midnight to midnight, ns."""
    last = _last_day(now, zone, weeks_back)
    return day_begins(last - timedelta(days=DAYS - 1), zone), day_begins(last + timedelta(days=1), zone)


def _last_day(now: Instant, zone: ZoneInfo, weeks_back: int) -> date:
    return local_time(now, zone).date() - timedelta(days=DAYS * weeks_back)


def read_weeks(
    database: DatabaseAccess,
    sites: Sites,
    rules: Rules,
    now: Instant,
    weeks_back: int,
    allowed: Allowed = None,
) -> dict[str, SiteWeek]:
    """Read the week of each of the sites `allowed`. `rules` say what counts as a flood.

    A stretch of work, at most a clock hour, counts to the day in which it begins.
    """
    begin = now - (8 + 7 * weeks_back) * DAY  # a day more than the week of any time zone needs
    end = now - (7 * weeks_back - 1) * DAY
    hammer_weeks: dict[Key, HammerWeek] = defaultdict(HammerWeek)
    work, alert = exposure.c, alerts.c
    with database.read() as connection:
        firing = select(work.site, work.hammer, work.start_ns, work.firing_ns).where(
            work.start_ns >= begin, work.start_ns < end, *of_sites(work.site, allowed)
        )
        for site, hammer, start, firing_ns in connection.execute(firing):
            day = local_time(start, sites.zone_of(site)).date()
            hammer_weeks[site, hammer].firing_h[day] += firing_ns / (3600 * SECOND)
        onsets = select(alert.site, alert.hammer, alert.onset_ns).where(
            alert.fault.in_(OPERATOR_FAULTS),
            alert.onset_ns >= begin,
            alert.onset_ns < end,
            *of_sites(alert.site, allowed),
        )
        for site, hammer, onset in connection.execute(onsets):
            hammer_weeks[site, hammer].faults[local_time(onset, sites.zone_of(site)).date()] += 1
        by_site = intervals(connection, end, allowed)
    weeks: dict[str, SiteWeek] = {}
    for (site, hammer), hammer_week in sorted(hammer_weeks.items()):
        if site not in weeks:
            last = _last_day(now, sites.zone_of(site), weeks_back)
            days = [last - timedelta(days=DAYS - 1 - number) for number in range(DAYS)]
            until = now - 7 * weeks_back * DAY
            kpis = compute_kpis(by_site.get(site, ()), until - DAYS * DAY, until, rules)
            weeks[site] = SiteWeek(days, {}, kpis)
        weeks[site].hammers[hammer] = hammer_week
    return weeks
