"""A guide as HTML: Markdown rendered here, each heading with an id so that links can point at it."""

import re
from functools import cache
from itertools import pairwise
from typing import Final

from markdown_it import MarkdownIt
from markupsafe import Markup

from strikewatch import guide

# Raw HTML in a guide is shown as text.
_RENDERER: Final = MarkdownIt("commonmark", {"html": False}).enable("table")


@cache
def rendered(topic: str) -> Markup | None:
    """None where there is no guide on that topic."""
    text = guide.text(topic)
    if text is None:
        return None
    tokens = _RENDERER.parse(text)
    for heading, inline in pairwise(tokens):
        if heading.type == "heading_open":
            heading.attrSet("id", _slug(inline.content))
    return Markup(_RENDERER.renderer.render(tokens, _RENDERER.options, {}))


def _slug(title: str) -> str:
    """What stands before a heading's colon or comma, so that `same_spot: …` is found at #same_spot."""
    return re.sub(r"\W+", "-", re.split("[:,]", title)[0]).strip("-").lower()
