"""The search in the alerts: by time, operator, fault and hammer, with acknowledging of several at once.

Everything is in the address of the page, so that a search can be kept and sent to others. Days are the site's own and
both ends count. `before` is an instant or a day that no longer counts. `after` is site/id of the last alert
of the page before: several alerts may have the same onset.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final, Literal, get_args
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.responses import Response

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.lifecycle import ACTIVE, STATES, SUPPRESSED, State
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.filter import FAULTS
from strikewatch.sinks.sites import Sites
from strikewatch.storage.queries.alerts import Facet, Filter, facets
from strikewatch.web.api.problems import invalid
from strikewatch.web.api.routing import parse_time
from strikewatch.web.pages.formatting import day_begins
from strikewatch.web.pages.page import PageRequest, Pages

NOBODY: Final = "-"
"""The operator of alerts while nobody was signed on; no id is only this."""
HOUR: Final = 3600 * SECOND
Period = Literal["1h", "shift", "today", "7d", "any", "days"]
PERIODS: Final[tuple[Period, ...]] = get_args(Period)[:-1]
"""Those with a button; `days` stands for the two fields."""
DEFAULT_PERIOD: Final = "7d"
STATE_GROUPS: Final[dict[str, frozenset[State]]] = {
    "active": ACTIVE,
    "waiting": frozenset({"unacknowledged", "returned_unacknowledged"}),
    "muted": SUPPRESSED,
}
"""States that people ask for together; each single state can be asked for, too."""
SHOWN: Final = 100
"""Alerts on one page; earlier ones follow on the next."""


class AlertSearch(BaseModel):
    """The parameters of a search; an empty one is no condition."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    site: str = Field("", max_length=200)
    hammer: str = Field("", max_length=200)
    operator: str = Field("", max_length=200)
    fault: str = Field("", max_length=200)
    priority: str = Field("", max_length=200)
    state: str = Field("", max_length=200)
    last: str = Field("", max_length=200)
    since: str = Field("", max_length=200)
    until: str = Field("", max_length=200)
    before: str = Field("", max_length=200)
    after: str = Field("", max_length=200)

    @staticmethod
    def parse(parameters: Mapping[str, Any]) -> "AlertSearch":
        """Read the parameters of a request. Raises Problem 422 for unknown ones."""
        try:
            return AlertSearch.model_validate_strings(dict(parameters))
        except ValidationError as error:
            raise invalid(error.errors()) from error

    @property
    def period(self) -> Period:
        """The time that is searched: of the fields, of a button, or without any condition the last days."""
        if self.since or self.until:
            return "days"
        if self.last in PERIODS:
            return self.last
        given = self.model_dump(exclude_defaults=True)
        return "any" if given else DEFAULT_PERIOD

    def link(self, **changes: str) -> str:
        """Return the address of this search with some parameters changed."""
        fields = {**self.model_dump(exclude={"before", "after"}), "last": self._last, **changes}
        return "/alerts?" + urlencode({name: value for name, value in fields.items() if value})

    @property
    def _last(self) -> str:
        return "" if self.period == "days" else self.period


@dataclass(frozen=True, slots=True)
class Span:
    """The instants that are searched, ns, from the site's own time; None: without limit. `wrong`: by parameter."""

    begin: Instant | None
    end: Instant | None
    before: Instant | None
    wrong: Mapping[str, str]


def span_of(search: AlertSearch, sites: Sites, site: str, now: Instant) -> Span:
    """Return the time of a search at a site. The keys of what is wrong are those of texts."""
    zone, wrong = sites.zone_of(site), dict[str, str]()
    begin: Instant | None = None
    end: Instant | None = None
    period = search.period
    if period == "1h":
        begin = now - HOUR
    elif period == "shift":
        begin = round(sites.shift_begin(site, local_time(now, zone)).timestamp()) * SECOND
    elif period == "today":
        begin = day_begins(local_time(now, zone).date(), zone)
    elif period == "7d":
        begin = day_begins(local_time(now, zone).date() - timedelta(days=6), zone)
    elif period == "days":
        begin = _instant(search.since, zone, "since", wrong)
        end = _instant(search.until, zone, "until", wrong, following=True)
    if begin is not None and end is not None and end <= begin:
        wrong["until"] = "alerts.wrong_order"
    before = _instant(search.before, zone, "before", wrong)
    return Span(begin, end, before, wrong)


def _instant(
    text: str, zone: ZoneInfo, name: str, wrong: dict[str, str], following: bool = False
) -> Instant | None:
    """Parse RFC 3339, or a day at the site; `following`: return the beginning of the next day."""
    if not text:
        return None
    try:
        if len(text) > 10:
            return parse_time(text)
        day = date.fromisoformat(text)
        return parse_time(f"{day}T00:00:00Z") and day_begins(day + timedelta(days=following), zone)
    except (ValueError, OverflowError):
        wrong[name] = "alerts.wrong_day"
        return None


def filter_of(search: AlertSearch, span: Span) -> Filter:
    """Return the filter of a search; an unknown priority, fault or state matches nothing."""
    ends = [at for at in (span.end, span.before) if at is not None]
    site, _, last = search.after.rpartition("/")
    states = STATE_GROUPS.get(search.state, frozenset({search.state})) if search.state else STATES
    return Filter(
        site=search.site or None,
        hammer=search.hammer or None,
        fault=search.fault or None,
        operator=None if search.operator in ("", NOBODY) else search.operator,
        priority=search.priority or None,  # type: ignore[arg-type]
        since=span.begin,
        states=states,  # type: ignore[arg-type]
        before=min(ends, default=None),
        unassigned=search.operator == NOBODY,
        ignore_case=True,
        after=(site, last) if search.after else None,
    )


@dataclass(frozen=True, slots=True)
class Choices:
    """What exists in the time that is searched. `operators`, `faults`, `hammers` (site and name): with their counts.

    `table`: counts by operator and fault, of the search without these two.
    """

    table: Mapping[tuple[str, str], int]
    operators: Sequence[tuple[str, int]]
    faults: Sequence[tuple[str, int]]
    hammers: Sequence[tuple[tuple[str, str], int]]
    total: int


def choices(found: Sequence[Facet], search: AlertSearch) -> Choices:
    """Return the choices, and how many alerts match; `found`: counts of all alerts in the period."""

    def matches(one: Facet, *ignored: str) -> bool:
        states = STATE_GROUPS.get(search.state, {search.state})
        return all(
            name in ignored or not wanted or wanted.lower() == (value or NOBODY).lower()
            for name, wanted, value in (
                ("site", search.site, one.site),
                ("hammer", search.hammer, one.hammer),
                ("operator", search.operator, one.operator),
                ("fault", search.fault, one.fault),
                ("priority", search.priority, one.priority),
            )
        ) and (not search.state or one.state in states)

    table: Counter[tuple[str, str]] = Counter()
    hammers: Counter[tuple[str, str]] = Counter()
    total = 0
    for one in found:
        if matches(one, "operator", "fault"):
            table[one.operator or NOBODY, one.fault] += one.count
        if matches(one, "hammer", "site") and one.hammer:
            hammers[one.site, one.hammer] += one.count
        if matches(one):
            total += one.count
    operators: Counter[str] = Counter()
    faults: Counter[str] = Counter()
    for (operator, fault), count in table.items():
        operators[operator] += count
        faults[fault] += count
    nobody_last = sorted(operators.items(), key=lambda item: (item[0] == NOBODY, item[0]))
    return Choices(table, nobody_last, faults.most_common(), sorted(hammers.items()), total)


def alerts(pages: Pages, page: PageRequest) -> Response:
    """Show what matches, newest first, and everything that the search can be narrowed to."""
    search = AlertSearch.parse(page.query)
    site = search.site or page.chosen_site or next(iter(page.known_sites), "")
    span = span_of(search, pages.sites, site, page.now)
    found, offered = [], choices((), search)
    if not span.wrong:
        in_time = Filter(since=span.begin, before=span.end, states=STATES, sites=pages.context.sites)
        with pages.context.database.read() as connection:
            offered = choices(facets(connection, in_time), search)
        found = pages.context.alert_actions.alerts(filter_of(search, span), SHOWN + 1)
    last = found[SHOWN - 1].record if len(found) > SHOWN else None
    options = _options(offered, search, page)
    return pages.render(
        page,
        "alerts.html",
        422 if span.wrong else 200,
        search=search,
        periods=PERIODS,
        wrong=span.wrong,
        span=span,
        site=site,
        found=found[:SHOWN],
        offered=offered,
        nobody=NOBODY,
        earlier=last and search.link(before=search.before, after=f"{last['site']}/{last['id']}"),
        to_acknowledge=STATE_GROUPS["waiting"],
        options=options,
        narrowed={
            name: next((shown for value, shown in options[name] if value.lower() == asked.lower()), asked)
            for name in options
            if (asked := getattr(search, name))
        },
    )


def _options(offered: Choices, search: AlertSearch, page: PageRequest) -> dict[str, list[tuple[str, str]]]:
    """Return the values, each with its label, that each condition can have; the one in force is among them."""
    translation, fault_name = page.formatting.translation, page.formatting.fault_name
    first = [fault for fault, _ in offered.faults]
    faults = [*first, *(fault for fault in FAULTS if fault not in first)]
    options: dict[str, list[tuple[str, str]]] = {
        "site": [(site, site) for site in page.known_sites],
        "hammer": [(name, name) for name in sorted({name for (_, name), _ in offered.hammers})],
        "operator": [
            (name, translation("common.nobody") if name == NOBODY else name) for name, _ in offered.operators
        ],
        "fault": [(fault, fault_name(fault)) for fault in faults],
        "priority": [(name, translation(f"priority.{name}")) for name in PRIORITIES[::-1]],
        "state": [(name, translation(f"alerts.state_{name}")) for name in STATE_GROUPS],
    }
    if not page.several_sites:
        del options["site"]
    for name, pairs in options.items():
        asked = getattr(search, name)
        if asked and asked.lower() not in {value.lower() for value, _ in pairs}:
            shown = translation(f"state.{asked}") if name == "state" and asked in STATES else asked
            pairs.append((asked, shown))
    return options
