"""Rejected data over HTTP: what was not used of each sender, and why; examples of one."""

import time
from collections.abc import Callable
from typing import Any

from strikewatch.core.instant import Instant
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.api import schemas
from strikewatch.web.api.alert_routes import BASE, Operation
from strikewatch.web.api.problems import Problem


class RejectedData:
    """`wall` tells ns."""

    def __init__(self, place: DatabaseAccess, wall: Callable[[], Instant] = time.time_ns) -> None:
        self._place = place
        self._wall = wall

    def operations(self) -> list[Operation]:
        path = f"{BASE}/rejects"
        return [
            Operation("GET", path, "view", schemas.Rejects, None, self.rejects),
            Operation("GET", f"{path}/examples", "view", schemas.RejectExamples, None, self.reject_examples),
        ]

    def rejects(self, q: schemas.Rejects, _body: None, _by: str) -> Any:
        """Data that was not used, by sender and reason, with the first bad value and the remedy; the newest first."""
        since = None if q.since is None else _time(q.since)
        with self._place.read() as connection:
            found = feed_problems.search(
                connection, self._wall(), site=q.site, hammer=q.hammer, since=since, limit=q.limit
            )
        return {"rejects": [one.json() for one in found]}

    def reject_examples(self, q: schemas.RejectExamples, _body: None, _by: str) -> Any:
        """The newest examples of one sender, of those that are still kept."""
        with self._place.read() as connection:
            found = feed_problems.examples(connection, q.sender, q.limit)
        return {"examples": [one.json() for one in found]}


def _time(text: str) -> Instant:
    try:
        return schemas.moment(text)
    except ValueError as error:
        raise Problem(
            422, f"since: {error}", "RFC 3339 with an offset, such as 2026-11-25T16:00:00Z"
        ) from None
