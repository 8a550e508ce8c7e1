"""The maintenance tasks, the most urgent first."""

from starlette.responses import Response

from strikewatch.web.pages.page import PageRequest, Pages


def due(pages: Pages, page: PageRequest) -> Response:
    """Show the maintenance tasks, the most urgent first."""
    items = [
        (key, item) for key, hammer in pages.live_state.hammers.items() for item in hammer.due_items(page.now)
    ]
    items.sort(key=lambda row: (row[1].urgency, row[0]))
    return pages.render(page, "due.html", rows=items)
