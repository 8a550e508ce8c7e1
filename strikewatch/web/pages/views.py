"""The pages: what each shows.

Every page is complete as the server sends it; a script keeps it up to date. Forms that change something use the
operations of the HTTP interface, under the session's cookie and CSRF token.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.events import TIMER_RESETTING_KINDS, Event
from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Rules
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.guide import topics as guide_topics
from strikewatch.review.data.from_store import read_events
from strikewatch.review.wear import advice as wear
from strikewatch.sinks.filter import FAULTS
from strikewatch.sinks.sites import Sites
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.entries import list_entries
from strikewatch.storage.actions.tokens import Role
from strikewatch.storage.outbox import deliveries
from strikewatch.web.api.problems import Problem
from strikewatch.web.api.routing import ApiContext
from strikewatch.web.authentication import ANONYMOUS
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.live.stream import as_json
from strikewatch.web.pages.alerts import ActiveAlerts, AlertSearch, trace
from strikewatch.web.pages.formatting import Formatting
from strikewatch.web.pages.templating import (
    REPORT_POLICY,
    SAFE_HEADERS,
    PageRequest,
    Templates,
    common_variables,
    render_guide,
)
from strikewatch.web.pages.timelines import Timelines
from strikewatch.web.pages.week import Review, read_weeks, week_of, with_status

SIGN_IN_PATH: Final = "/sign-in"
HISTORY_LENGTH: Final = 100
RECENT_ENTRIES: Final = 25
MOST_FEED_PROBLEMS: Final = 200
FEED_EXAMPLES: Final = 10
MOST_DELIVERIES: Final = 50
REVIEW_RETRY_S: Final = 2
"""When to ask again for a review that is being made."""

View = Callable[[PageRequest], Response]
GetReview = Callable[[str, Instant, Instant], Review | None]
"""Returns the trainer's review of a site in a time; None while the first one is being made."""


@dataclass(frozen=True, slots=True)
class Pages:
    """The pages. `_recordings` is the folder of recordings."""

    _context: ApiContext
    _templates: Templates
    _live_state: LiveState
    _timelines: Timelines
    _active: ActiveAlerts
    _sites: Sites
    _recordings: Path
    _get_review: GetReview

    def views(self) -> dict[str, View]:
        """Return the pages for the role view, by path."""
        return {
            "/": self.now,
            "/open": self.active_alerts,
            "/alerts": self.alerts,
            "/alerts/{site}/{alert}": self.alert,
            "/write": self.log,
            "/due": self.due,
            "/week": self.week,
            "/choices": self.preferences,
            "/feed": self.feed,
            "/guide": self.guides,
            "/guide/{topic}": self.guide,
        }

    def respond(self, request: Request, view: View, role: Role) -> Response:
        """Show a page to a sender with the role; redirect an unknown sender to sign in."""
        try:
            holder = self._context.authenticator.authenticate(request, role)
        except Problem as problem:
            if problem.status != 401:
                raise
            path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"{SIGN_IN_PATH}?{urlencode({'to': path})}", 303, SAFE_HEADERS)
        formatting = self._templates.formatting(request)
        return view(PageRequest(request, holder, formatting, self._context.wall()))

    def now(self, page: PageRequest) -> Response:
        """Show what is wrong now, where, who, and what to do."""
        hammers = sorted(self._live_state.hammers.items())
        not_monitored = [(key[1], hammer.not_monitored()) for key, hammer in hammers]
        uncertain = [(key[1], hammer.uncertain()) for key, hammer in hammers]
        return self._page(
            page,
            "now.html",
            readings=[as_json(key, hammer) for key, hammer in hammers],
            not_monitored=_group_alike(page.formatting, not_monitored),
            uncertain=_group_alike(page.formatting, uncertain),
            **self._active.variables(page.formatting, page.now),
        )

    def active_alerts(self, page: PageRequest) -> Response:
        """Render the active alerts alone, for the script that replaces them."""
        with_timelines = "timelines" in page.query
        return self._templates.render(
            page.formatting,
            "_active.html",
            can_act=page.can_act,
            **self._active.variables(page.formatting, page.now, with_timelines),
            **common_variables(page, self._sites),
        )

    def alerts(self, page: PageRequest) -> Response:
        """Show active alerts, and search the history."""
        search = AlertSearch.parse(page.query)
        wanted, wrong = search.filter()
        alerts = [] if wrong else self._context.alert_actions.alerts(wanted, HISTORY_LENGTH + 1)
        last_onset = alerts[HISTORY_LENGTH - 1].record["onset"] if len(alerts) > HISTORY_LENGTH else None
        return self._page(
            page,
            "alerts.html",
            422 if wrong else 200,
            search=search,
            wrong=wrong,
            found=alerts[:HISTORY_LENGTH],
            earlier=last_onset and search.earlier(last_onset),
            priorities=PRIORITIES[::-1],
            faults=FAULTS,
            hammers=sorted({hammer for _, hammer in self._live_state.hammers}),
            **self._active.variables(page.formatting, page.now, with_timelines=True),
        )

    def alert(self, page: PageRequest) -> Response:
        """Show one alert: evidence, samples, history, deliveries."""
        site = page.request.path_params["site"]
        alert = self._context.alert_actions.alert(page.request.path_params["alert"], site)
        ident = alert.record["id"]
        with self._context.database.read() as connection:
            sent = deliveries.search(
                connection, endpoint=None, state=None, alert=ident, limit=MOST_DELIVERIES
            )
        return self._page(
            page,
            "alert.html",
            alert=alert,
            timeline=Markup(self._timelines.around(alert.record, page.formatting, page.now)),
            history=self._context.alert_actions.history(ident, site),
            sent=[delivery for delivery in sent if delivery.site == site],
        )

    def trace(self, request: Request) -> dict[str, Any]:
        """Return the samples around an alert, for a sender with the role view."""
        alert = self._context.alert_actions.alert(request.path_params["alert"], request.path_params["site"])
        return trace(self._context.database, self._recordings, self._live_state, alert, self._context.wall())

    def log(self, page: PageRequest) -> Response:
        """Show the forms for what was done to a hammer, and the recent entries."""
        hammers = sorted(self._live_state.hammers)
        name, site = page.query.get("hammer", ""), page.query.get("site", "")
        chosen = next((key for key in hammers if key[1] == name and site in ("", key[0])), None)
        chosen = chosen or (hammers[0] if hammers else None)
        values: dict[str, Any] = {"recent": [], "meter_h": None, "advice": {}, "tool_note": None}
        if chosen:
            hammer = self._live_state.hammers[chosen]
            recent = list_entries(self._context.database, chosen, RECENT_ENTRIES)
            fitted = read_events(self._context.database, ("work", "tool_change"), page.now, chosen[0])
            values = {
                "recent": recent,
                "meter_h": hammer.meter_h,
                "advice": {
                    entry.number: inspection_advice(entry.event.fields, hammer.settings)
                    for entry in recent
                    if entry.event.kind == "inspection"
                },
                "tool_note": tool_note(event for event in fitted if event.hammer == chosen[1]),
            }
        return self._page(
            page,
            "log.html",
            hammers=hammers,
            chosen=chosen,
            timer_resetting=TIMER_RESETTING_KINDS,
            withdrawals={entry.number for entry in values["recent"] if entry.event.kind == "withdrawal"},
            **values,
        )

    def due(self, page: PageRequest) -> Response:
        """Show the maintenance tasks, the most urgent first."""
        items = [
            (key, item)
            for key, hammer in self._live_state.hammers.items()
            for item in hammer.due_items(page.now)
        ]
        items.sort(key=lambda row: (row[1].urgency, row[0]))
        return self._page(page, "due.html", rows=items)

    def week(self, page: PageRequest) -> Response:
        """Show firing hours and faults by hammer and day, and the alarm metrics."""
        rules = Rules.of(self._context.alarms)
        return self._page(
            page,
            "week.html",
            weeks_back=page.weeks_back,
            sites=read_weeks(self._context.database, self._sites, rules, page.now, page.weeks_back),
            can_review=page.holder.may("review") and page.holder is not ANONYMOUS,
        )

    def review(self, page: PageRequest) -> Response:
        """Show the newest review of a site's week to the trainer, or that the first one is being prepared."""
        site = page.request.path_params["site"]
        zone = self._sites.zone_of(site)
        review = self._get_review(site, *week_of(page.now, zone, page.weeks_back))
        if review is None:
            response = self._page(page, "preparing.html", 202, site=site)
            response.headers["Retry-After"] = str(REVIEW_RETRY_S)
            return response
        report = with_status(review, page.formatting.translation, zone, page.now)
        headers = {**SAFE_HEADERS, "Content-Security-Policy": REPORT_POLICY}
        return Response(report, 200, headers, media_type="text/html")

    def preferences(self, page: PageRequest) -> Response:
        """Show the preferences: units, language, sound."""
        return self._page(page, "preferences.html", languages=sorted(self._templates.translations))

    def feed(self, page: PageRequest) -> Response:
        """Show rejected data by sender; for one sender also examples."""
        sender = page.query.get("sender")
        with self._context.database.read() as connection:
            problems = feed_problems.search(connection, page.now, sender=sender, limit=MOST_FEED_PROBLEMS + 1)
            examples = [] if sender is None else feed_problems.examples(connection, sender, FEED_EXAMPLES)
        senders: dict[str, list[feed_problems.Problem]] = {}
        for problem in problems[:MOST_FEED_PROBLEMS]:
            senders.setdefault(problem.sender, []).append(problem)
        return self._page(
            page,
            "feed.html",
            senders=senders,
            sender=sender,
            examples=examples,
            more=len(problems) > MOST_FEED_PROBLEMS,
            readable=feed_problems.readable,
        )

    def guides(self, page: PageRequest) -> Response:
        """List the guides by title."""
        title = page.formatting.translation("page.guides")
        return self._page(page, "guide.html", guide=None, topics=guide_topics(), title=title)

    def guide(self, page: PageRequest) -> Response:
        """Show one guide."""
        topic = page.request.path_params["topic"]
        guide = render_guide(topic)
        if guide is None:
            raise Problem(404, "there is no such guide", "see /guide for all of them")
        return self._page(page, "guide.html", guide=guide, title=guide_topics()[topic])

    def _page(self, page: PageRequest, template: str, status: int = 200, **values: Any) -> Response:
        with self._context.database.read() as connection:
            bad_feeds = feed_problems.senders_since(connection, page.now - feed_problems.DAY)
        values = {
            **common_variables(page, self._sites),
            **values,
            "can_act": page.can_act,
            "bad_feeds": bad_feeds,
        }
        return self._templates.render(page.formatting, template, status, **values)


def inspection_advice(fields: Mapping[str, Any], settings: HammerSettings) -> list[tuple[str, wear.Decision]]:
    """Return (part, decision) for each part that an inspection measured."""
    limits = settings["wear"]
    assert isinstance(limits, wear.Settings)
    advice = []
    state, bore_mm = fields.get("bushing"), fields.get("bore_mm")
    if state is not None or bore_mm is not None:
        turned = fields.get("turned_before")
        advice.append(("bushing", wear.lower_bushing(state, turned, bore_mm, limits.bore_limit_mm)))
    for name, measure in (("tool_mm", "diameter"), ("tool_length_mm", "length")):
        setting = f"tool_{measure}_limit_mm"
        if name in fields:
            advice.append(("tool", wear.tool(measure, fields[name], getattr(limits, setting), setting)))
    return advice


def tool_note(events: Iterable[Event]) -> str | None:
    """Return a note if the tool fitted last does not suit the last type of work; `events` of one hammer."""
    newest = {event.kind: event for event in sorted(events, key=lambda event: event.effective)}
    if "work" not in newest or "tool_change" not in newest:
        return None
    return wear.mismatch_note(newest["tool_change"].fields["tool"], newest["work"].fields)


def _group_alike(
    formatting: Formatting, by_hammer: Iterable[tuple[str, Mapping[str, Sequence[str]]]]
) -> dict[tuple[tuple[str, str], ...], list[str]]:
    """Return the names of hammers by what they have in common: reasons with their faults."""
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for name, reasons in by_hammer:
        common = tuple(
            (reason, ", ".join(map(formatting.fault_name, faults))) for reason, faults in reasons.items()
        )
        if common:
            alike.setdefault(common, []).append(name)
    return alike
