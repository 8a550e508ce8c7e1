"""What all pages share: what they read, and a request for one.

A page is one view in `views/`, one template and its texts. Every page is complete as the server sends it; a script
keeps it up to date. Forms that change something use the operations of the HTTP interface, under the session's cookie
and CSRF token.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.disclaimer import CAUTION
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.sites import Sites
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.web.api.problems import Problem
from strikewatch.web.api.routing import ApiContext
from strikewatch.web.authentication import ANONYMOUS, SESSION_COOKIE, csrf_token
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.pages.active import ActiveAlerts
from strikewatch.web.pages.formatting import SOURCE, Formatting, clock
from strikewatch.web.pages.templating import SAFE_HEADERS, Templates
from strikewatch.web.pages.timelines import Timelines

MOST_WEEKS_BACK: Final = 520
SIGN_IN_PATH: Final = "/sign-in"


@dataclass(frozen=True, slots=True)
class PageRequest:
    """A request for a page: sender, preferences, time."""

    request: Request
    holder: Holder
    formatting: Formatting
    now: Instant

    @property
    def query(self) -> Mapping[str, str]:
        """The parameters of the query."""
        return self.request.query_params

    @property
    def can_act(self) -> bool:
        """Whether the sender may change something."""
        return self.holder.may("act") and self.holder is not ANONYMOUS

    @property
    def weeks_back(self) -> int:
        """How many weeks ago the week of the parameter `back` ended."""
        back = self.query.get("back", "0")
        return min(int(back), MOST_WEEKS_BACK) if back.isdecimal() and len(back) < 5 else 0


@dataclass(frozen=True, slots=True)
class Review:
    """A report as HTML with data up to `data_until` (ns, wall clock).

    `whole`: the period is over; `renewing`: a newer report is being made; `failed`: the last attempt failed.
    """

    html: str
    data_until: Instant
    whole: bool = False
    renewing: bool = False
    failed: bool = False


GetReview = Callable[[str, Instant, Instant], Review | None]
"""Returns the trainer's review of a site in a time; None while the first one is being made."""


@dataclass(frozen=True, slots=True)
class Pages:
    """What the pages read. `recordings` is the folder of recordings.

    `source_lines` describes in a few lines how the source of a hammer's data does, if it is known.
    """

    context: ApiContext
    templates: Templates
    live_state: LiveState
    timelines: Timelines
    active: ActiveAlerts
    sites: Sites
    recordings: Path
    get_review: GetReview
    source_lines: Callable[[Key], Sequence[str]] = lambda _key: ()

    def respond(self, request: Request, view: "View", role: Role) -> Response:
        """Show a page to a sender with the role; redirect an unknown sender to sign in."""
        try:
            holder = self.context.authenticator.authenticate(request, role)
        except Problem as problem:
            if problem.status != 401:
                raise
            path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"{SIGN_IN_PATH}?{urlencode({'to': path})}", 303, SAFE_HEADERS)
        formatting = self.templates.formatting(request)
        return view(self, PageRequest(request, holder, formatting, self.context.wall()))

    def render(self, page: PageRequest, template: str, status: int = 200, **values: Any) -> Response:
        """Render a page's template with the variables of all pages and its own."""
        with self.context.database.read() as connection:
            bad_feeds = feed_problems.senders_since(connection, page.now - feed_problems.DAY)
        places = sorted({site for site, _ in self.live_state.hammers})
        values = {
            **common_variables(page, self.sites),
            "sites": self.sites,
            "site_names": [self.sites.name_of(site) for site in places],
            "several_sites": len(places) > 1,
            "home_zone": self.sites.zone_of(places[0] if places else "").key,
            **values,
            "can_act": page.can_act,
            "bad_feeds": bad_feeds,
        }
        return self.templates.render(page.formatting, template, status, **values)


View = Callable[[Pages, PageRequest], Response]


def common_variables(page: PageRequest, sites: Sites) -> dict[str, Any]:
    """Return the variables of all pages."""
    now, zone_of = page.now, sites.zone_of
    translation = page.formatting.translation
    cookie = page.request.cookies.get(SESSION_COOKIE, "")
    return {
        "now_ns": now,
        "holder": page.holder,
        "anonymous": page.holder is ANONYMOUS,
        "csrf": csrf_token(cookie) if cookie else "",
        "path": page.request.url.path,
        "caution": CAUTION if translation.language == SOURCE else translation("page.caution"),
        "clock": lambda text, site: clock(instant.parse(text), zone_of(site), now),
        "clock_ns": lambda at, site: clock(at, zone_of(site), now),
        "local": lambda at, site: local_time(at, zone_of(site)),
        "zone_of": lambda site: zone_of(site).key,
        "duration_s": lambda record: _duration_s(record, now),
    }


def _duration_s(record: Mapping[str, Any], now: Instant) -> float:
    """Return the time from onset to clearing, or to now."""
    end = now if record["cleared"] is None else instant.parse(record["cleared"])
    return max(0.0, (end - instant.parse(record["onset"])) / instant.SECOND)
