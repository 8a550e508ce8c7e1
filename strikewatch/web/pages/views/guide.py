"""The guides."""

import re
from functools import cache
from itertools import pairwise
from typing import Final

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup
from starlette.responses import Response

from strikewatch import guide as texts
from strikewatch.web.api.problems import Problem
from strikewatch.web.pages.page import PageRequest, Pages

# Raw HTML in a guide is shown as text.
_RENDERER: Final = MarkdownIt("commonmark", {"html": False}).enable("table")
_COMMENT: Final = re.compile(r"^<!--.*?-->\n", re.MULTILINE)
_GUIDE_LINK: Final = re.compile(r"([\w-]+)\.md(#[\w-]+)?")


def guides(pages: Pages, page: PageRequest) -> Response:
    """List the guides by title."""
    title = page.formatting.translation("page.guides")
    return pages.render(page, "guide.html", guide=None, topics=texts.topics(), title=title)


def guide(pages: Pages, page: PageRequest) -> Response:
    """Show one guide."""
    topic = page.request.path_params["topic"]
    rendered = render_guide(topic)
    if rendered is None:
        raise Problem(404, "there is no such guide", "see /guide for all of them")
    return pages.render(page, "guide.html", guide=rendered, title=texts.topics()[topic])


@cache
def render_guide(topic: str) -> Markup | None:
    """Render a guide, None for an unknown topic.

    A link to `gateway.md` becomes one to `/guide/gateway`. Comments are removed.
    """
    text = texts.text(topic)
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
