"""The preferences of one reader."""

from starlette.responses import Response

from strikewatch.web.pages.page import PageRequest, Pages


def preferences(pages: Pages, page: PageRequest) -> Response:
    """Show the preferences: units, language, sound."""
    return pages.render(page, "preferences.html", languages=sorted(pages.templates.translations))
