"""Write outgoing changes and digests to the outbox, as one message for each endpoint that they are routed to.

An endpoint gets an alert from the first step that its filter accepts, always as `raised`, and from then on every
further step. So `raised` comes first at every receiver, and no alert that it received stays open there.
"""

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from typing import Any, Final

from sqlalchemy import Connection, select

from strikewatch.core.instant import Instant
from strikewatch.storage.commit import statements
from strikewatch.storage.commit.prepared import PreparedListQuery
from strikewatch.storage.outbox.floods import DIGEST
from strikewatch.storage.outbox.notifications import Outgoing
from strikewatch.storage.schema.tables import outbox

Route = Callable[[str, Mapping[str, Any], Instant | None], bool]
"""(endpoint, record, wall time) → whether the endpoint gets the alert at that time; None: at any time."""

_RECIPIENTS: Final = PreparedListQuery(
    lambda ids: (
        select(outbox.c.site, outbox.c.alert_id, outbox.c.endpoint)
        .where(outbox.c.alert_id.in_(ids))
        .distinct()
    )
)


def to_every_endpoint(_endpoint: str, _record: Mapping[str, Any], _now: Instant | None) -> bool:
    """Route every alert to every endpoint."""
    return True


class OutboxWriter:
    """Queues messages at the wall time `now`. `off`: endpoints that are switched off (their messages are parked)."""

    def __init__(
        self,
        connection: Connection,
        endpoints: Collection[str],
        off: Mapping[str, str],
        now: Instant,
        route: Route = to_every_endpoint,
    ) -> None:
        self._connection = connection
        self._endpoints = endpoints
        self._record_off = off
        self._now = now
        self._route = route
        self._recipients: dict[tuple[str, str], set[str]] = {}
        self._messages: list[dict[str, Any]] = []

    def write(self, outgoing: Outgoing) -> None:
        self._load_recipients(outgoing)
        for change in outgoing.changes:
            known = self._recipients[change.site, change.alert_id]
            body = to_json(change.record)
            for endpoint in self._endpoints:
                if endpoint in known:
                    self._add(endpoint, change.site, change.alert_id, change.step, body)
                elif change.step != "cleared" and self._route(endpoint, change.record, self._now):
                    known.add(endpoint)
                    self._add(endpoint, change.site, change.alert_id, "raised", body)
        for digest in outgoing.digests:
            known = self._recipients[digest.site, digest.id]
            for endpoint in self._endpoints:
                # an endpoint that got an earlier digest of this episode gets its end at any time
                now = None if endpoint in known else self._now
                records = [record for record in digest.records if self._route(endpoint, record, now)]
                if records:
                    self._add(endpoint, digest.site, digest.id, DIGEST, to_json(digest.body(records)))
        statements.MESSAGE.run(self._connection, self._messages)

    def _load_recipients(self, outgoing: Outgoing) -> None:
        """Load which endpoints already got a message about each alert or episode."""
        keys = {(change.site, change.alert_id) for change in outgoing.changes} | {
            (digest.site, digest.id) for digest in outgoing.digests
        }
        self._recipients = {key: set() for key in keys}
        for site, about, endpoint in _RECIPIENTS.fetch(
            self._connection, sorted({about for _, about in keys})
        ):
            if (site, about) in keys:
                self._recipients[site, about].add(endpoint)

    def _add(self, endpoint: str, site: str, about: str, step: str, body: str) -> None:
        """Queue a message named by its content, so that queueing it again changes nothing."""
        content = f"{site}\n{about}\n{step}\n{body}"
        self._messages.append(
            {
                "endpoint": endpoint,
                "message": hashlib.blake2b(content.encode(), digest_size=16).hexdigest(),
                "site": site,
                "alert_id": about,
                "step": step,
                "body": body,
                "created_ns": self._now,
                "due_ns": self._now,
                "attempts": 0,
                "state": "parked" if endpoint in self._record_off else "waiting",
                "last_outcome": self._record_off.get(endpoint),
            }
        )


def to_json(record: dict[str, Any]) -> str:
    """Return a record as the compact JSON text that is stored and sent."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
