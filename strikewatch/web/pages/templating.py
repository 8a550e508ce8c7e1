"""Render pages: the reader's preferences, templates and their variables, guides from Markdown, security headers."""

import re
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from strikewatch import guide
from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.disclaimer import CAUTION
from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES, local_time
from strikewatch.review.data.tables import OPERATOR_FAULTS
from strikewatch.review.report.files import style
from strikewatch.sinks.sites import Sites
from strikewatch.storage.actions.tokens import Holder
from strikewatch.web.api.problems import Problem
from strikewatch.web.authentication import ANONYMOUS, SESSION_COOKIE, csrf_token
from strikewatch.web.pages.formatting import SOURCE, Formatting, Translation, clock

MOST_WEEKS_BACK: Final = 520
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


class Templates:
    """The templates. `translations`: by language code."""

    def __init__(self, translations: dict[str, Translation]) -> None:
        self.translations = translations
        self._environment = Environment(
            loader=FileSystemLoader(Path(__file__).parent / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals["operator_faults"] = OPERATOR_FAULTS
        self._environment.globals["outline"] = lambda priority: OUTLINES[BY_PRIORITY[priority]]

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

    def problem(self, problem: Problem, request: Request) -> Response:
        """Render a problem as a page."""
        return self.render(
            self.formatting(request), "error.html", problem.status, error=problem.error, remedy=problem.remedy
        )


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


# Raw HTML in a guide is shown as text.
_RENDERER: Final = MarkdownIt("commonmark", {"html": False}).enable("table")
_COMMENT: Final = re.compile(r"^<!--.*?-->\n", re.MULTILINE)
_GUIDE_LINK: Final = re.compile(r"([\w-]+)\.md(#[\w-]+)?")


@cache
def render_guide(topic: str) -> Markup | None:
    """Render a guide, None for an unknown topic.

    A link to `gateway.md` becomes one to `/guide/gateway`. Comments are removed.
    """
    text = guide.text(topic)
    if text is None:
        return None
    tokens = _RENDERER.parse(_COMMENT.sub("", text))
    for heading, inline in pairwise(tokens):
        if heading.type == "heading_open":
            heading.attrSet("id", _slug(inline.content))
    for token in tokens:
        if token.type == "table_open":
            token.attrSet("tabindex", "0")  # so that a wide table scrolls by keyboard
        for child in token.children or ():
            _point_to_page(child)
    return Markup(_RENDERER.renderer.render(tokens, _RENDERER.options, {}))


def _point_to_page(token: Token) -> None:
    """Turn a link to another guide's file into one to its page."""
    if token.type == "link_open" and (found := _GUIDE_LINK.fullmatch(str(token.attrGet("href")))):
        token.attrSet("href", f"/guide/{found[1]}{found[2] or ''}")


def _slug(title: str) -> str:
    """Return the id of a heading: its text before a colon or comma, so that `same_spot: …` is #same_spot."""
    return re.sub(r"\W+", "-", re.split("[:,]", title)[0]).strip("-").lower()
