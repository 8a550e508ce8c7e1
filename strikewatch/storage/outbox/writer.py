"""What is to be told becomes messages in the outbox: single changes of alerts, and digests cut to each endpoint.

An endpoint is told of an alert from the first step at which it passes, always as `raised`, and from then on of
everything that becomes of it. So `raised` comes first at every receiver, and nothing it was told of stays open there.
"""

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from typing import Any, Final

from sqlalchemy import Connection, select

from strikewatch.core.instant import Instant
from strikewatch.storage.commit import statements
from strikewatch.storage.outbox.digests import STEP
from strikewatch.storage.outbox.notifications import Told
from strikewatch.storage.schema.tables import outbox

Route = Callable[[str, Mapping[str, Any], Instant | None], bool]
"""(endpoint, record, wall time) → whether the alert is for the endpoint then; None: whatever the hour."""

_TOLD: Final = statements.Several(
    lambda ids: (
        select(outbox.c.site, outbox.c.alert_id, outbox.c.endpoint)
        .where(outbox.c.alert_id.in_(ids))
        .distinct()
    )
)


def everywhere(_endpoint: str, _record: Mapping[str, Any], _now: Instant | None) -> bool:
    """Every alert is for every endpoint."""
    return True


class Dispatch:
    """Queues what is to be told at the wall time `now`; parked at once, with the reason, for endpoints in `off`."""

    def __init__(
        self,
        connection: Connection,
        endpoints: Collection[str],
        off: Mapping[str, str],
        now: Instant,
        route: Route = everywhere,
    ) -> None:
        self._connection = connection
        self._endpoints = endpoints
        self._off = off
        self._now = now
        self._route = route
        self._told: dict[tuple[str, str], set[str]] = {}
        self._messages: list[dict[str, Any]] = []

    def take(self, told: Told) -> None:
        self._learn(told)
        for change in told.changes:
            known = self._told[change.site, change.alert_id]
            body = text(change.record)
            for endpoint in self._endpoints:
                if endpoint in known:
                    self._add(endpoint, change.site, change.alert_id, change.step, body)
                elif change.step != "cleared" and self._route(endpoint, change.record, self._now):
                    known.add(endpoint)
                    self._add(endpoint, change.site, change.alert_id, "raised", body)
        for digest in told.digests:
            known = self._told[digest.site, digest.id]
            for endpoint in self._endpoints:
                # one that was told of this storm is told how it ends, whatever the hour
                now = None if endpoint in known else self._now
                records = [record for record in digest.records if self._route(endpoint, record, now)]
                if records:
                    self._add(endpoint, digest.site, digest.id, STEP, text(digest.body(records)))
        statements.MESSAGE.run(self._connection, self._messages)

    def _learn(self, told: Told) -> None:
        """Which endpoints were told of the alerts, and by digests of the storms, before."""
        names = {(one.site, one.alert_id) for one in told.changes} | {
            (one.site, one.id) for one in told.digests
        }
        self._told = {name: set() for name in names}
        for site, about, endpoint in _TOLD.ask(self._connection, sorted({about for _, about in names})):
            if (site, about) in names:
                self._told[site, about].add(endpoint)

    def _add(self, endpoint: str, site: str, about: str, step: str, body: str) -> None:
        """A message is named by its content, so that the same once more changes nothing."""
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
                "state": "parked" if endpoint in self._off else "waiting",
                "last_outcome": self._off.get(endpoint),
            }
        )


def text(record: dict[str, Any]) -> str:
    """A record as it is stored and sent."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
