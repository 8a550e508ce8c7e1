"""Render pages: the reader's preferences, templates and their variables, guides from Markdown, security headers."""

from base64 import b64encode
from collections.abc import Callable
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.review.report.files import style
from strikewatch.web.api.problems import Problem
from strikewatch.web.pages.formatting import SOURCE, Formatting, Translation

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
