"""Operations on rejected data: counts and reasons by sender, and examples."""

from typing import Annotated

from fastapi import Query
from pydantic import Field

from strikewatch.storage.actions import feed_problems
from strikewatch.web.api.problems import ApiResponse
from strikewatch.web.api.routing import Context, Limit, Time, Word, api_router

router = api_router()
LastSeen = Annotated[Time | None, Query(description="Only what was seen since then, RFC 3339 with an offset")]
Sender = Annotated[Word, Query(description="As the list of rejects names it: SITE/HAMMER, or a topic")]


@router.get("/rejects")
def rejects(
    context: Context,
    site: Word | None = None,
    hammer: Word | None = None,
    since: LastSeen = None,
    limit: Limit = 200,
) -> ApiResponse:
    """List rejected data by sender and reason with the first bad value and the remedy, the newest first."""
    with context.database.read() as connection:
        found = feed_problems.search(
            connection, context.wall(), site=site, hammer=hammer, since=since, limit=limit
        )
    return ApiResponse({"rejects": [problem.json() for problem in found]})


@router.get("/rejects/examples")
def reject_examples(
    context: Context, sender: Sender, limit: Annotated[int, Field(ge=1, le=100)] = 10
) -> ApiResponse:
    """List the newest rejected payloads of one sender that are still kept."""
    with context.database.read() as connection:
        found = feed_problems.examples(connection, sender, limit)
    return ApiResponse({"examples": [example.json() for example in found]})
