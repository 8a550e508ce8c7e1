"""The sheets of the page: what stands on each, and the door before them.

Every sheet is whole as it comes from the server; a script lets it count along. Forms for changes go through the HTTP
interface's own operations, under the session's cookie and seal.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES
from strikewatch.core.batch import Key
from strikewatch.core.events import TIMER_RESETTING_KINDS
from strikewatch.core.instant import Instant
from strikewatch.disclaimer import CAUTION
from strikewatch.engine.flood import Rules
from strikewatch.guide import topics as guides
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.data.from_store import read_events
from strikewatch.sinks.filter import FAULTS, Sites
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.actions.entries import list_entries
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.outbox import deliveries
from strikewatch.web.api.problems import Problem
from strikewatch.web.authentication import COOKIE, NOBODY, Gate, seal
from strikewatch.web.live.live_state import Scene
from strikewatch.web.live.stream import reading
from strikewatch.web.pages import login
from strikewatch.web.pages.active_alerts import ActiveAlerts
from strikewatch.web.pages.feed_problems import feed, recent_senders
from strikewatch.web.pages.formatting import View, clock
from strikewatch.web.pages.guide import rendered
from strikewatch.web.pages.inspection_advice import judged, unsuited
from strikewatch.web.pages.rendering import REPORT_POLICY, SAFE, Press
from strikewatch.web.pages.review import Review, marked
from strikewatch.web.pages.search import Wanted
from strikewatch.web.pages.timelines import Drawing
from strikewatch.web.pages.trace import trace
from strikewatch.web.pages.translations import SOURCE
from strikewatch.web.pages.week import Week, week_of

LISTED: Final = 100
RECENT: Final = 25
Sheet = Callable[["Asking"], Response]
Reviews = Callable[[str, Instant, Instant], Review | None]
"""The trainer's review of a site in a time; None while the first one is being made."""
AGAIN_S: Final = 2
"""When to ask again for what is being made."""


@dataclass(frozen=True, slots=True)
class Asking:
    """One request: who, what they chose, when."""

    request: Request
    holder: Holder
    view: View
    now: Instant


class Sheets:
    """All of them. `recordings`: the folder of them; `wall` tells ns."""

    def __init__(
        self,
        press: Press,
        gate: Gate,
        place: DatabaseAccess,
        desk: AlertActions,
        scene: Scene,
        drawing: Drawing,
        sites: Sites,
        recordings: Path,
        rules: Rules,
        active: ActiveAlerts,
        reviews: Reviews,
        wall: Callable[[], Instant],
    ) -> None:
        self._press = press
        self._gate = gate
        self._place = place
        self._desk = desk
        self._scene = scene
        self._drawing = drawing
        self._sites = sites
        self._recordings = recordings
        self._wall = wall
        self._active = active
        self._reviews = reviews
        self._week = Week(place, sites, rules)

    def sheets(self) -> list[tuple[str, Sheet]]:
        """(path, sheet) of all that are looked at."""
        return [
            ("/", self.now),
            ("/open", self.open),
            ("/alerts", self.alerts),
            ("/alerts/{site}/{alert}", self.alert),
            ("/write", self.write),
            ("/due", self.due),
            ("/week", self.week),
            ("/choices", self.choices),
            ("/feed", self.feed),
            ("/guide", self.guide_list),
            ("/guide/{topic}", self.guide),
        ]

    def admitted(self, request: Request, sheet: Sheet, role: Role = "view") -> Response:
        """A sheet for who may see it; the way in for who is not known."""
        try:
            holder = self._gate.admit(request, role)
        except Problem as problem:
            if problem.status != 401:
                raise
            path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"{login.PATH}?{urlencode({'to': path})}", 303, SAFE)
        return sheet(Asking(request, holder, self._press.view(request), self._wall()))

    def now(self, ask: Asking) -> Response:
        """Is anything wrong now, where, who, what to do."""
        hammers = sorted(self._scene.hammers)
        readings = [reading(key, self._scene.hammers[key]) for key in hammers]
        limits = {
            "unwatched": self._alike(ask, {key: self._scene.hammers[key].unwatched() for key in hammers}),
            "uncertain": self._alike(ask, {key: self._scene.hammers[key].uncertain() for key in hammers}),
        }
        return self._page(
            ask, "now.html", readings=readings, limits=limits, **self._active.look(ask.view, ask.now)
        )

    def _alike(
        self, ask: Asking, reasons: Mapping[Key, Mapping[str, Sequence[str]]]
    ) -> dict[tuple[tuple[str, str], ...], list[str]]:
        """Reasons with the names of their faults → the hammers that have them."""
        alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
        for key, own in reasons.items():
            told = tuple((why, ", ".join(map(ask.view.fault, faults))) for why, faults in own.items())
            if told:
                alike.setdefault(told, []).append(key[1])
        return alike

    def open(self, ask: Asking) -> Response:
        """The open alerts alone, for the script to put in place."""
        strips = "strips" in ask.request.query_params
        return self._press.html(
            ask.view,
            "_open.html",
            may=self._may(ask),
            **self._active.look(ask.view, ask.now, strips),
            **self._of(ask),
        )

    def alerts(self, ask: Asking) -> Response:
        """What is open, and the history, searched."""
        wanted = Wanted.of(ask.request.query_params)
        found, wrong = wanted.filter()
        listed = [] if wrong else self._desk.alerts(found, LISTED + 1)
        more = listed[LISTED - 1].record["onset"] if len(listed) > LISTED else None
        return self._page(
            ask,
            "alerts.html",
            422 if wrong else 200,
            wanted=wanted,
            wrong=wrong,
            listed=listed[:LISTED],
            earlier=more and wanted.earlier(more),
            priorities=PRIORITIES[::-1],
            faults=FAULTS,
            hammers=sorted({hammer for _, hammer in self._scene.hammers}),
            **self._active.look(ask.view, ask.now, strips=True),
        )

    def alert(self, ask: Asking) -> Response:
        """One alert: its evidence, its minute, what became of it, where it went."""
        site, alert = ask.request.path_params["site"], ask.request.path_params["alert"]
        one = self._desk.alert(alert, site)
        with self._place.read() as connection:
            sent = deliveries.search(connection, endpoint=None, state=None, alert=one.record["id"], limit=50)
        return self._page(
            ask,
            "alert.html",
            one=one,
            strip=Markup(self._drawing.around(one.record, ask.view, ask.now)),
            story=self._desk.history(one.record["id"], site),
            sent=[delivery for delivery in sent if delivery.site == site],
        )

    def trace(self, request: Request) -> dict[str, Any]:
        """The samples around an alert; for who is admitted."""
        one = self._desk.alert(request.path_params["alert"], request.path_params["site"])
        return trace(self._place, self._recordings, self._scene, one, self._wall())

    def write(self, ask: Asking) -> Response:
        """Forms for what was done to a hammer, and what has been written down."""
        hammers = sorted(self._scene.hammers)
        asked_for = ask.request.query_params.get("hammer", ""), ask.request.query_params.get("site", "")
        chosen = next(
            (key for key in hammers if key[1] == asked_for[0] and asked_for[1] in ("", key[0])), None
        )
        chosen = chosen or (hammers[0] if hammers else None)
        recent = list_entries(self._place, chosen, RECENT) if chosen else []
        seen = self._scene.hammers[chosen] if chosen else None
        fitting = read_events(self._place, ("work", "tool_change"), ask.now, chosen[0]) if chosen else []
        verdicts = {
            one.number: judged(one.event.fields, seen.settings)
            for one in recent
            if seen is not None and one.event.kind == "inspection"
        }
        return self._page(
            ask,
            "write.html",
            hammers=hammers,
            chosen=chosen,
            meter_h=seen and seen.meter_h,
            recent=recent,
            verdicts=verdicts,
            unsuited=unsuited(event for event in fitting if chosen and event.hammer == chosen[1]),
            setting_clocks=TIMER_RESETTING_KINDS,
            withdrawals={one.number for one in recent if one.event.kind == "withdrawal"},
            said=ask.view.fields,
        )

    def due(self, ask: Asking) -> Response:
        """What comes due, the most urgent first."""
        every = [(key, item) for key, seen in self._scene.hammers.items() for item in seen.upcoming(ask.now)]
        every.sort(key=lambda one: (one[1].urgency, one[0]))
        return self._page(ask, "due.html", rows=every)

    def week(self, ask: Asking) -> Response:
        """Faults and firing hours by hammer and day, and how well the alerts serve."""
        weeks = _weeks(ask)
        trains = ask.holder.may("review") and ask.holder is not NOBODY
        return self._page(ask, "week.html", weeks=weeks, sites=self._week.look(ask.now, weeks), trains=trains)

    def review(self, ask: Asking) -> Response:
        """The newest review of a site's week for the trainer; or that the first one is being prepared."""
        site = ask.request.path_params["site"]
        zone = self._sites.zone_of(site)
        begin, end = week_of(ask.now, zone, _weeks(ask))
        review = self._reviews(site, begin, end)
        if review is None:
            waiting = self._page(ask, "making.html", 202, site=site)
            waiting.headers["Retry-After"] = str(AGAIN_S)
            return waiting
        report = marked(review, ask.view.words, zone, ask.now)
        return Response(
            report, 200, {**SAFE, "Content-Security-Policy": REPORT_POLICY}, media_type="text/html"
        )

    def choices(self, ask: Asking) -> Response:
        """Units, language, sound."""
        return self._page(ask, "choices.html", languages=sorted(self._press.words))

    def feed(self, ask: Asking) -> Response:
        """Data that was not used, by sender."""
        return self._page(
            ask, "feed.html", **feed(self._place, ask.now, ask.request.query_params.get("sender"))
        )

    def guide_list(self, ask: Asking) -> Response:
        """All guides, by title."""
        title = ask.view.words("page.guides")
        return self._page(ask, "guide.html", guide=None, topics=guides(), title=title)

    def guide(self, ask: Asking) -> Response:
        """One of the guides."""
        topic = ask.request.path_params["topic"]
        text = rendered(topic)
        if text is None:
            raise Problem(404, "there is no such guide", "see /guide for all of them")
        return self._page(ask, "guide.html", guide=text, title=guides()[topic])

    def _page(self, ask: Asking, template: str, status: int = 200, **more: Any) -> Response:
        bad_feeds = recent_senders(self._place, ask.now)
        more = {**self._of(ask), **more, "may": self._may(ask), "bad_feeds": bad_feeds}
        return self._press.html(ask.view, template, status, **more)

    def _of(self, ask: Asking) -> dict[str, Any]:
        cookie = ask.request.cookies.get(COOKIE, "")
        return {
            "now_ns": ask.now,
            "holder": ask.holder,
            "unnamed": ask.holder is NOBODY,
            "seal": seal(cookie) if cookie else "",
            "path": ask.request.url.path,
            "caution": ask.view.words("page.caution") if ask.view.words.language != SOURCE else CAUTION,
            "clock": lambda text, site: clock(instant.parse(text), self._sites.zone_of(site), ask.now),
            "clock_ns": lambda at, site: clock(at, self._sites.zone_of(site), ask.now),
            "local": lambda at, site: local_time(at, self._sites.zone_of(site)),
            "zone_of": lambda site: self._sites.zone_of(site).key,
            "lasted": lambda record: _lasted(record, ask.now),
        }

    def _may(self, ask: Asking) -> bool:
        return ask.holder.may("act") and ask.holder is not NOBODY


def _weeks(ask: Asking) -> int:
    """How many weeks back is asked for."""
    back = ask.request.query_params.get("back", "0")
    return min(int(back), 520) if back.isdecimal() and len(back) < 5 else 0


def _lasted(record: dict[str, Any], now: Instant) -> float:
    """Seconds from onset to clearing, or to now."""
    end = now if record["cleared"] is None else instant.parse(record["cleared"])
    return max(0.0, (end - instant.parse(record["onset"])) / instant.SECOND)
