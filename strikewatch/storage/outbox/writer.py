"""Write outgoing changes and digests to the outbox, as one message for each endpoint that they are routed to.

An endpoint gets an alert from the first step that its filter accepts, always as `raised`, and from then on every
further step. So `raised` comes first at every receiver, and no alert that it received stays open there. Where a clear
is refuted, `raised` is sent again and begins another round of steps.
"""

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, case, func, select

from strikewatch.core.instant import Instant
from strikewatch.storage.commit.prepared import PreparedListQuery, PreparedQuery, insert_missing
from strikewatch.storage.outbox.digests import DIGEST
from strikewatch.storage.outbox.messages import Message
from strikewatch.storage.outbox.notifications import Outgoing
from strikewatch.storage.schema.tables import nudges, outbox

Route = Callable[[str, Mapping[str, Any], Instant | None], bool]
"""(endpoint, record, wall time) → whether the endpoint gets the alert at that time; None: at any time."""

_INSERT: Final = insert_missing(outbox, unset=("seq", "finished_ns"), numbered=True)
_RECIPIENTS: Final = PreparedListQuery(
    lambda ids: (
        select(
            outbox.c.site,
            outbox.c.alert_id,
            outbox.c.endpoint,
            func.min(outbox.c.state),
            func.count(case((outbox.c.step == "raised", 1))),
            func.count(case((outbox.c.step == "cleared", 1))),
        )
        .where(outbox.c.alert_id.in_(ids))
        .group_by(outbox.c.site, outbox.c.alert_id, outbox.c.endpoint)
    )
)
"""Who already got a message about each alert; the state is "parked" if that of any is (sent, waiting follow)."""
_EXTERNAL_CHANGES: Final = PreparedQuery(select(nudges.c.endpoint, nudges.c.n))


def to_every_endpoint(_endpoint: str, _record: Mapping[str, Any], _now: Instant | None) -> bool:
    """Route every alert to every endpoint."""
    return True


@dataclass(slots=True)
class _Earlier:
    """An alert's earlier messages for an endpoint: whether one is parked, and how often it was raised and cleared."""

    parked: bool = False
    raised: int = 0
    cleared: int = 0

    def round(self, step: str) -> int:
        """Return the round that a step belongs to; another begins when it is raised after a clear."""
        return self.cleared if step == "raised" else max(self.raised - 1, 0)

    def count(self, step: str) -> None:
        self.raised += step == "raised"
        self.cleared += step == "cleared"


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
        self._off = off
        self._now = now
        self._route = route
        self._earlier: dict[tuple[str, str], dict[str, _Earlier]] = {}
        """By site and alert, the earlier messages by endpoint that already got one."""
        self._external_changes: dict[str, int] = {}
        self._queued: list[tuple[str, Message]] = []

    def write(self, outgoing: Outgoing) -> list[tuple[str, Message]]:
        """Queue the messages; return (endpoint, message) for those that are to be sent."""
        if outgoing.changes or outgoing.digests:
            self._load(outgoing)
        for change in outgoing.changes:
            known = self._earlier[change.site, change.alert_id]
            body, historic = to_json(change.record), bool(change.record["historic"])
            for endpoint in self._endpoints:
                if endpoint in known:
                    self._add(endpoint, change.site, change.alert_id, change.step, body, historic)
                elif change.step != "cleared" and self._route(endpoint, change.record, self._now):
                    self._add(endpoint, change.site, change.alert_id, "raised", body, historic)
        for digest in outgoing.digests:
            known = self._earlier[digest.site, digest.id]
            for endpoint in self._endpoints:
                # an endpoint that got an earlier digest of this episode gets its end at any time
                now = None if endpoint in known else self._now
                records = [record for record in digest.records if self._route(endpoint, record, now)]
                if records:
                    self._add(endpoint, digest.site, digest.id, DIGEST, to_json(digest.body(records)))
        return self._queued

    def _load(self, outgoing: Outgoing) -> None:
        """Load which endpoints already got a message about each alert or episode."""
        keys = {(change.site, change.alert_id) for change in outgoing.changes} | {
            (digest.site, digest.id) for digest in outgoing.digests
        }
        self._earlier = {key: {} for key in keys}
        listed = sorted({about for _, about in keys})
        for site, about, endpoint, first_state, raised, cleared in _RECIPIENTS.fetch(
            self._connection, listed
        ):
            if (site, about) in keys:
                self._earlier[site, about][endpoint] = _Earlier(first_state == "parked", raised, cleared)
        self._external_changes = dict(_EXTERNAL_CHANGES.fetch(self._connection))

    def _add(
        self, endpoint: str, site: str, about: str, step: str, body: str, historic: bool = False
    ) -> None:
        """Queue a message named by its round and content, so that queueing it again changes nothing."""
        earlier = self._earlier[site, about].setdefault(endpoint, _Earlier())
        content = f"{site}\n{about}\n{step}\n{body}"
        if round_ := earlier.round(step):
            content += f"\n{round_}"
        name = hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
        off = self._off.get(endpoint)
        number = _INSERT.insert(
            self._connection,
            {
                "endpoint": endpoint,
                "message": name,
                "site": site,
                "alert_id": about,
                "step": step,
                "body": body,
                "created_ns": self._now,
                "due_ns": self._now,
                "attempts": 0,
                "state": "waiting" if off is None else "parked",
                "last_outcome": off,
            },
        )
        if number is None:
            return
        earlier.count(step)
        if off is not None:
            earlier.parked = True
            return
        external_changes = self._external_changes.get(endpoint, 0)
        message = Message(
            *(number, site, about, 0, self._now, name, step, body, self._now),
            *(earlier.parked, external_changes, historic),
        )
        self._queued.append((endpoint, message))


def to_json(record: dict[str, Any]) -> str:
    """Return a record as the compact JSON text that is stored and sent."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
