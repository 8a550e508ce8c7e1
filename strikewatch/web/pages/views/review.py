"""The trainer's review of a week, as the page serves it."""

from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import escape
from starlette.responses import Response

from strikewatch.core.instant import Instant
from strikewatch.web.pages.formatting import Translation, clock
from strikewatch.web.pages.page import PageRequest, Pages, Review
from strikewatch.web.pages.templating import REPORT_POLICY, SAFE_HEADERS
from strikewatch.web.pages.views.week import week_of

REVIEW_RETRY_S: Final = 2
"""When to ask again for a review that is being made."""


def review(pages: Pages, page: PageRequest) -> Response:
    """Show the newest review of a site's week to the trainer, or that the first one is being prepared."""
    site = page.request.path_params["site"]
    zone = pages.sites.zone_of(site)
    review = pages.get_review(site, *week_of(page.now, zone, page.weeks_back))
    if review is None:
        response = pages.render(page, "preparing.html", 202, site=site)
        response.headers["Retry-After"] = str(REVIEW_RETRY_S)
        return response
    report = with_status(review, page.formatting.translation, zone, page.now)
    headers = {**SAFE_HEADERS, "Content-Security-Policy": REPORT_POLICY}
    return Response(report, 200, headers, media_type="text/html")


def with_status(review: Review, translation: Translation, zone: ZoneInfo, now: Instant) -> str:
    """Return the report with a line at its head: how old it is, and a link back to the page."""
    status = []
    if not review.whole:
        status.append(translation("review.as_at", time=clock(review.data_until, zone, now)))
    if review.renewing:
        status.append(translation("review.renewing"))
    elif review.failed:
        status.append(translation("review.not_renewed"))
    back = translation("common.back", sheet=translation("menu.week"))
    line = f'<p role="status">{escape(" ".join(status))} <a href="/week">{escape(back)}</a></p>'
    head = "<header>" if "<header>" in review.html else "<body>"
    return review.html.replace(head, f"{head}\n{line}", 1)
