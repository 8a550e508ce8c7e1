"""How a sheet becomes an answer: templates, the reader's choices, and headers that keep a browser to our own."""

from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import Response

from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES
from strikewatch.review.report.html import style
from strikewatch.web.pages.formatting import View
from strikewatch.web.pages.translations import SOURCE, Words

CHOICES: Final = "strikewatch_choices"
"""The cookie of a reader's choices, `units.language`; no secret."""
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_SHEET: Final = b64encode(sha256(style().encode()).digest()).decode()
REPORT_POLICY: Final = (
    f"default-src 'none'; style-src 'sha256-{_SHEET}'; img-src data:; base-uri 'none'; frame-ancestors 'none'"
)
"""Of the trainer's review, whose one style sheet stands within it."""
SAFE: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class Press:
    """`words` are the languages by code."""

    def __init__(self, words: dict[str, Words]) -> None:
        self.words = words
        self._templates = Environment(
            loader=FileSystemLoader(Path(__file__).parent / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals["outline"] = lambda priority: OUTLINES[BY_PRIORITY[priority]]

    def view(self, request: Request) -> View:
        """How whoever asks wants to see things."""
        units, _, language = request.cookies.get(CHOICES, "").partition(".")
        return View(self.words.get(language, self.words[SOURCE]), "us" if units == "us" else "metric")

    def html(self, view: View, template: str, status: int = 200, **more: Any) -> Response:
        text = self._templates.get_template(template).render(view=view, t=view.words, **more)
        return Response(text, status, SAFE, media_type="text/html; charset=utf-8")
