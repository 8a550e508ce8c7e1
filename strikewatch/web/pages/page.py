"""What all pages share: templates, preferences and security headers, what pages read, and a request for one.

A page is one view in `views/`, one template and its texts. Every page is complete as the server sends it; a script
keeps it up to date. Forms that change something use the operations of the HTTP interface, under the session's cookie
and CSRF token.
"""

from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlencode

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.disclaimer import CAUTION
from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES, local_time
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.review.report.files import style
from strikewatch.sinks.sites import Sites
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.storage.queries.sites import Sites as Allowed
from strikewatch.web.api.problems import Problem
from strikewatch.web.api.routing import ApiContext, check_site
from strikewatch.web.authentication import ANONYMOUS, SESSION_COOKIE, csrf_token
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.pages.active import ActiveAlerts
from strikewatch.web.pages.formatting import SOURCE, Formatting, Translation, clock
from strikewatch.web.pages.timelines import Timelines

PREFERENCES_COOKIE: Final = "strikewatch_choices"
"""A reader's preferences, `units.language`; no secret."""
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_STYLE_DIGEST: Final = b64encode(sha256(style().encode()).digest()).decode()
REPORT_POLICY: Final = (
    f"default-src 'none'; style-src 'sha256-{_STYLE_DIGEST}'; img-src data:; base-uri 'none'; "
    "frame-ancestors 'none'"
)
"""For the trainer's review, which contains its one style sheet."""
SAFE_HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": PAGE_POLICY,
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
}
MOST_WEEKS_BACK: Final = 520
SIGN_IN_PATH: Final = "/sign-in"
SITE_COOKIE: Final = "strikewatch_site"
"""The one site that a reader chose to see, percent-encoded; no secret."""


@cache
def _environment() -> Environment:
    """Return the environment of all templates, which compiles each of them once per process."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["operator_faults"] = OPERATOR_FAULTS
    environment.globals["outline"] = lambda priority: OUTLINES[BY_PRIORITY[priority]]
    return environment


class Templates:
    """The templates. `translations`: by language code."""

    def __init__(self, translations: dict[str, Translation]) -> None:
        self.translations = translations
        self._environment = _environment()

    def formatting(self, request: Request) -> Formatting:
        """Return the preferences of the reader."""
        units, _, language = request.cookies.get(PREFERENCES_COOKIE, "").partition(".")
        translation = self.translations.get(language, self.translations[SOURCE])
        return Formatting(translation, "us" if units == "us" else "metric")

    def render(self, formatting: Formatting, template: str, status: int = 200, **values: Any) -> Response:
        """Render a template with the formatting as `fmt`, the translation as `t`, and further values."""
        text = self._environment.get_template(template).render(
            fmt=formatting, t=formatting.translation, **values
        )
        return Response(text, status, SAFE_HEADERS, media_type="text/html; charset=utf-8")

    def macro(self, name: str) -> Callable[..., Markup]:
        """Return a macro of `_alert_macros.html`."""
        macro: Callable[..., Markup] = getattr(
            self._environment.get_template("_alert_macros.html").module, name
        )
        return macro

    def problem(self, problem: Problem, request: Request) -> Response:
        """Render a problem as a page."""
        return self.render(
            self.formatting(request), "error.html", problem.status, error=problem.error, remedy=problem.remedy
        )


@dataclass(frozen=True, slots=True)
class PageRequest:
    """A request for a page: sender, preferences, time; the sites that may be seen, and the one that was chosen."""

    request: Request
    holder: Holder
    formatting: Formatting
    now: Instant
    known_sites: Sequence[str] = ()
    chosen_site: str = ""

    @property
    def query(self) -> Mapping[str, str]:
        """The parameters of the query."""
        return self.request.query_params

    @property
    def can_act(self) -> bool:
        """Whether the sender may change something."""
        return self.holder.may("act") and self.holder is not ANONYMOUS

    @property
    def several_sites(self) -> bool:
        """Whether a page shows more than one site, so that hammers need their site beside them."""
        return len(self.known_sites) > 1 and not self.chosen_site

    def name_of(self, site: str, hammer: str) -> str:
        """Return how a hammer is called: with the name of its site where several are shown, the site for no hammer."""
        return f"{hammer} ({site})" if hammer and self.several_sites else hammer or site

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

    @property
    def known_sites(self) -> list[str]:
        """The sites that were ever heard, sorted."""
        return sorted({site for site, _ in self.live_state.hammers})

    def limited_to(self, sites: Allowed) -> "Pages":
        """Return pages that show nothing of other sites."""
        if sites is None:
            return self
        return replace(
            self,
            context=replace(self.context, sites=sites),
            live_state=self.live_state.limited_to(sites),
            active=self.active.limited_to(sites),
        )

    def chosen_site(self, request: Request) -> str:
        """Return the site that a reader chose to see alone; "" for all.

        One that was never heard does not count, else every page would look calm. A link that names a site leads there.
        """
        chosen = unquote(request.cookies.get(SITE_COOKIE, ""))
        return chosen if chosen in self.known_sites and not _named_site(request) else ""

    def respond(self, request: Request, view: "View", role: Role) -> Response:
        """Show a page to a sender with the role; redirect an unknown sender to sign in."""
        try:
            holder = self.context.authenticator.authenticate(request, role)
        except Problem as problem:
            if problem.status != 401:
                raise
            path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"{SIGN_IN_PATH}?{urlencode({'to': path})}", 303, SAFE_HEADERS)
        check_site(holder, _named_site(request))
        pages = self.limited_to(holder.sites)
        known, chosen = pages.known_sites, pages.chosen_site(request)
        formatting = self.templates.formatting(request)
        page = PageRequest(request, holder, formatting, self.context.wall(), known, chosen)
        return view(pages.limited_to({chosen}) if chosen else pages, page)

    def render(self, page: PageRequest, template: str, status: int = 200, **values: Any) -> Response:
        """Render a page's template with the variables of all pages and its own."""
        with self.context.database.read() as connection:
            bad_feeds = feed_problems.senders_since(
                connection, page.now - feed_problems.DAY, self.context.sites
            )
        places = self.known_sites
        values = {
            **common_variables(page, self.sites),
            "sites": self.sites,
            "site_names": [self.sites.name_of(site) for site in places],
            "several_sites": page.several_sites,
            "home_zone": self.sites.zone_of(places[0] if places else "").key,
            **values,
            "can_act": page.can_act,
            "bad_feeds": bad_feeds,
        }
        return self.templates.render(page.formatting, template, status, **values)


View = Callable[[Pages, PageRequest], Response]


def _named_site(request: Request) -> str | None:
    """Return the site that the path or the query names."""
    return request.path_params.get("site") or request.query_params.get("site") or None


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
        "known_sites": page.known_sites,
        "chosen_site": page.chosen_site,
        "name_of": lambda site, hammer: page.name_of(sites.name_of(site), hammer),
    }


def _duration_s(record: Mapping[str, Any], now: Instant) -> float:
    """Return the time from onset to clearing, or to now."""
    end = now if record["cleared"] is None else instant.parse(record["cleared"])
    return max(0.0, (end - instant.parse(record["onset"])) / instant.SECOND)
