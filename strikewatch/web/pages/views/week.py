"""A site's week in its own days: faults by hammer beside the week before, alarm metrics, and the trainer's review."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from markupsafe import escape
from sqlalchemy import select
from starlette.responses import Response

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import COMMON, MISUSE
from strikewatch.engine.alarm_kpis import (
    ACCEPTABLE_IN_10_MIN,
    ACCEPTABLE_PER_DAY,
    DAY,
    MAX_FLOOD_SHARE,
    MAX_IN_10_MIN,
    MAX_PER_DAY,
    MAX_STALE,
    MAX_TOP_SHARE,
    PRIORITY_TARGETS,
    AlarmKpis,
    compute_kpis,
)
from strikewatch.engine.flood import Rules
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.statistics.poisson import compare_rates
from strikewatch.sinks.sites import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import intervals
from strikewatch.storage.queries.sites import Sites as Allowed
from strikewatch.storage.queries.sites import of_sites
from strikewatch.storage.schema.tables import alerts, exposure
from strikewatch.web.authentication import ANONYMOUS
from strikewatch.web.pages.formatting import Translation, clock, day_begins
from strikewatch.web.pages.page import REPORT_POLICY, SAFE_HEADERS, PageRequest, Pages, Review

DAYS: Final = 7
OPERATOR_FAULTS: Final = (*COMMON, *MISUSE)
CERTAIN_P: Final = 0.05
"""A change counts below this probability of one as large by chance alone."""
Direction = Literal["better", "worse", "same", "little"]
"""How a rate changed; little: too little work in one of the weeks to say."""
REVIEW_RETRY_S: Final = 2
"""When to ask again for a review that is being made."""


def week(pages: Pages, page: PageRequest) -> Response:
    """Show firing hours and faults by hammer and day beside the week before, and the alarm metrics."""
    rules = Rules.of(pages.context.alarms)
    return pages.render(
        page,
        "week.html",
        weeks_back=page.weeks_back,
        weeks=read_weeks(
            pages.context.database, pages.sites, rules, page.now, page.weeks_back, pages.context.sites
        ),
        can_review=page.holder.may("review") and page.holder is not ANONYMOUS,
    )


@dataclass(frozen=True, slots=True)
class Change:
    """Faults and firing hours of a week and of the one before."""

    faults: int
    firing_h: float
    faults_before: int
    firing_before_h: float

    @property
    def rate(self) -> float | None:
        """Faults per firing hour; None without firing."""
        return self.faults / self.firing_h if self.firing_h > 0 else None

    @property
    def rate_before(self) -> float | None:
        """Faults per firing hour in the week before; None without firing."""
        return self.faults_before / self.firing_before_h if self.firing_before_h > 0 else None

    @property
    def direction(self) -> Direction:
        """Say whether the rate changed by more than chance explains."""
        if self.firing_h <= 0 or self.firing_before_h <= 0:
            return "little"
        compared = compare_rates(self.faults, self.firing_h, self.faults_before, self.firing_before_h)
        if compared.p >= CERTAIN_P:
            return "same"
        return "worse" if compared.ratio > 1 else "better"


@dataclass(slots=True)
class HammerWeek:
    """Firing hours and faults of one hammer by day."""

    firing_h: defaultdict[date, float] = field(default_factory=lambda: defaultdict(float))
    faults: Counter[date] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class Metric:
    """One alarm metric beside its targets. `text`: as shown. `low`, `high`: acceptable and manageable at most."""

    name: str
    value: float
    text: str
    low: float
    high: float
    targets: str

    @property
    def verdict(self) -> Literal["good", "fair", "bad"]:
        """Within what is acceptable, within what is manageable, or beyond."""
        return "good" if self.value <= self.low else "fair" if self.value <= self.high else "bad"

    def share(self, value: float) -> float:
        """Return the place of a value on a bar of 100 that ends a little beyond the higher of limit and value."""
        return round(100 * min(value / (1.25 * max(self.high, self.value) or 1.0), 1.0), 1)


@dataclass(slots=True)
class SiteWeek:
    """The days of a site's week and of the one before, its hammers by name, its faults, and its alarm metrics."""

    days: list[date]
    before: list[date]
    hammers: dict[str, HammerWeek]
    by_fault: dict[str, Counter[date]]
    kpis: AlarmKpis

    def change(self, hammers: Iterable[HammerWeek] | None = None, fault: str | None = None) -> Change:
        """Return the change from the week before, of some hammers or of one fault; left out: of all."""
        chosen = list(self.hammers.values() if hammers is None else hammers)
        counts = [one.faults for one in chosen] if fault is None else [self.by_fault[fault]]
        hours = [one.firing_h for one in chosen]
        return Change(
            int(_sum(counts, self.days)),
            _sum(hours, self.days),
            int(_sum(counts, self.before)),
            _sum(hours, self.before),
        )

    @property
    def worst_first(self) -> list[tuple[str, Change]]:
        """The hammers with their changes, the most faults per firing hour first."""
        changes = [(name, self.change([hammer])) for name, hammer in self.hammers.items()]
        return sorted(changes, key=lambda one: (-(one[1].rate or 0.0), -one[1].faults, one[0]))

    @property
    def faults_first(self) -> list[tuple[str, Change]]:
        """The faults of operators that occurred in one of the weeks, the most frequent first."""
        changes = [(name, self.change(fault=name)) for name in self.by_fault]
        shown = [(name, one) for name, one in changes if one.faults or one.faults_before]
        return sorted(shown, key=lambda one: (-one[1].faults, -one[1].faults_before, one[0]))

    @property
    def most_firing_h(self) -> float:
        """The firing hours of the hammer and day that has most, h; never 0."""
        return (
            max((one.firing_h[day] for one in self.hammers.values() for day in self.days), default=0) or 1.0
        )

    @property
    def metrics(self) -> list[Metric]:
        """The alarm metrics beside their published targets (`engine.alarm_kpis`)."""
        kpis = self.kpis
        return [
            Metric(
                "per_day", kpis.per_day, f"{kpis.per_day:.0f}", ACCEPTABLE_PER_DAY, MAX_PER_DAY, "150, 300"
            ),
            Metric(
                "per_10_min",
                kpis.per_10_min,
                f"{kpis.per_10_min:.2f}",
                ACCEPTABLE_IN_10_MIN,
                MAX_IN_10_MIN,
                "1, 2",
            ),
            Metric(
                "flood_share",
                kpis.flood_share,
                f"{100 * kpis.flood_share:.1f} %",
                MAX_FLOOD_SHARE,
                MAX_FLOOD_SHARE,
                "1 %",
            ),
            Metric(
                "top_share",
                kpis.top_share,
                f"{100 * kpis.top_share:.0f} %",
                MAX_TOP_SHARE,
                MAX_TOP_SHARE,
                "5 %",
            ),
            Metric("chattering", len(kpis.chattering), str(len(kpis.chattering)), 0, 0, "0"),
            Metric("stale", len(kpis.stale), str(len(kpis.stale)), MAX_STALE - 1, MAX_STALE - 1, "4"),
        ]

    @property
    def priorities(self) -> list[tuple[str, float, float]]:
        """(priority, share of the alerts, target share), the highest first."""
        return [
            (priority, self.kpis.spread.get(priority, 0.0), target)
            for priority, target in reversed(PRIORITY_TARGETS.items())
        ]


def _sum(values: Sequence[Mapping[date, float]], days: Iterable[date]) -> float:
    return sum(by_day.get(day, 0) for day in days for by_day in values)


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
    """Read the week of each of the sites `allowed`, and the one before. `rules` say what counts as a flood.

    A stretch of work, at most a clock hour, counts to the day in which it begins.
    """
    begin = now - (15 + 7 * weeks_back) * DAY  # a day more than the two weeks of any time zone need
    end = now - (7 * weeks_back - 1) * DAY
    hammer_weeks: dict[Key, HammerWeek] = defaultdict(HammerWeek)
    by_fault: dict[str, dict[str, Counter[date]]] = defaultdict(lambda: defaultdict(Counter))
    work, alert = exposure.c, alerts.c
    with database.read() as connection:
        firing = select(work.site, work.hammer, work.start_ns, work.firing_ns).where(
            work.start_ns >= begin, work.start_ns < end, *of_sites(work.site, allowed)
        )
        for site, hammer, start, firing_ns in connection.execute(firing):
            day = local_time(start, sites.zone_of(site)).date()
            hammer_weeks[site, hammer].firing_h[day] += firing_ns / (3600 * SECOND)
        onsets = select(alert.site, alert.hammer, alert.fault, alert.onset_ns).where(
            alert.fault.in_(OPERATOR_FAULTS),
            alert.onset_ns >= begin,
            alert.onset_ns < end,
            *of_sites(alert.site, allowed),
        )
        for site, hammer, fault, onset in connection.execute(onsets):
            day = local_time(onset, sites.zone_of(site)).date()
            hammer_weeks[site, hammer].faults[day] += 1
            by_fault[site][fault][day] += 1
        by_site = intervals(connection, end, allowed, begin)
    weeks: dict[str, SiteWeek] = {}
    for (site, hammer), hammer_week in sorted(hammer_weeks.items()):
        if site not in weeks:
            last = _last_day(now, sites.zone_of(site), weeks_back)
            days = [last - timedelta(days=number) for number in reversed(range(2 * DAYS))]
            until = now - 7 * weeks_back * DAY
            kpis = compute_kpis(by_site.get(site, ()), until - DAYS * DAY, until, rules)
            weeks[site] = SiteWeek(days[DAYS:], days[:DAYS], {}, by_fault[site], kpis)
        weeks[site].hammers[hammer] = hammer_week
    return weeks


def review(pages: Pages, page: PageRequest) -> Response:
    """Show the newest review of a site's week to the trainer, or that the first one is being prepared."""
    site = page.request.path_params["site"]
    zone = pages.sites.zone_of(site)
    review = pages.get_review(site, *week_of(page.now, zone, page.weeks_back))
    if review is None:
        response = pages.render(page, "preparing.html", 202, site=site)
        response.headers["Retry-After"] = str(REVIEW_RETRY_S)
        return response
    report = with_status(review, page.formatting.translation, zone, page.now)
    headers = {**SAFE_HEADERS, "Content-Security-Policy": REPORT_POLICY}
    return Response(report, 200, headers, media_type="text/html")


def with_status(review: Review, translation: Translation, zone: ZoneInfo, now: Instant) -> str:
    """Return the report with a line at its head: how old it is, and a link back to the page."""
    status = []
    if not review.whole:
        status.append(translation("review.as_at", time=clock(review.data_until, zone, now)))
    if review.renewing:
        status.append(translation("review.renewing"))
    elif review.failed:
        status.append(translation("review.not_renewed"))
    back = translation("common.back", sheet=translation("menu.week"))
    line = f'<p role="status">{escape(" ".join(status))} <a href="/week">{escape(back)}</a></p>'
    head = "<header>" if "<header>" in review.html else "<body>"
    return review.html.replace(head, f"{head}\n{line}", 1)
