"""The trainer's review as the page serves it: the newest one made, with its time."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from markupsafe import escape

from strikewatch.core.instant import Instant
from strikewatch.web.pages.formatting import clock
from strikewatch.web.pages.translations import Words


@dataclass(frozen=True, slots=True)
class Review:
    """A report as HTML, with data up to `upto` (ns, wall clock).

    `whole`: nothing can be added any more. `renewing`: a newer one is being made. `failed`: the last attempt to make a
    newer one failed.
    """

    html: str
    upto: Instant
    whole: bool = False
    renewing: bool = False
    failed: bool = False


def marked(review: Review, words: Words, zone: ZoneInfo, now: Instant) -> str:
    """The report with a line at its head that says how old it is, and leads back to the page."""
    said = []
    if not review.whole:
        said.append(words("review.as_at", time=clock(review.upto, zone, now)))
    if review.renewing:
        said.append(words("review.renewing"))
    elif review.failed:
        said.append(words("review.not_renewed"))
    back = words("say.back", sheet=words("sheet.week"))
    line = f'<p role="status">{escape(" ".join(said))} <a href="/week">{escape(back)}</a></p>'
    head = "<header>" if "<header>" in review.html else "<body>"
    return review.html.replace(head, f"{head}\n{line}", 1)
