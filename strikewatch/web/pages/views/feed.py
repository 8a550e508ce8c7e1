"""The health of mapped sources, and rejected data by sender."""

from typing import Final

from starlette.responses import Response

from strikewatch.sources.reasons import explain
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.queries.sites import permits
from strikewatch.web.pages.page import PageRequest, Pages

MOST_FEED_PROBLEMS: Final = 200
FEED_EXAMPLES: Final = 10


def feed(pages: Pages, page: PageRequest) -> Response:
    """Show mapped sources and rejected data by sender; for one sender also examples.

    A source can be for several sites, so who may see only some of them does not see sources.
    """
    sender = page.query.get("sender")
    with pages.context.database.read() as connection:
        problems = feed_problems.search(
            connection, page.now, sender=sender, limit=MOST_FEED_PROBLEMS + 1, sites=pages.context.sites
        )
        examples = []
        if sender is not None and permits(pages.context.sites, sender.partition("/")[0]):
            examples = feed_problems.examples(connection, sender, FEED_EXAMPLES)
    senders: dict[str, list[feed_problems.Problem]] = {}
    for problem in problems[:MOST_FEED_PROBLEMS]:
        senders.setdefault(problem.sender, []).append(problem)
    return pages.render(
        page,
        "feed.html",
        senders=senders,
        sender=sender,
        examples=examples,
        more=len(problems) > MOST_FEED_PROBLEMS,
        readable=feed_problems.readable,
        sources=pages.context.source_health() if pages.context.sites is None and sender is None else (),
        explain=explain,
    )
