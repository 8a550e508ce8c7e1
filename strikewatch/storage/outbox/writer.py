"""Write outgoing changes and digests to the outbox, as one message for each endpoint that they are routed to.

An endpoint gets an alert from the first step that its filter accepts, always as `raised`, and from then on every
further step. So `raised` comes first at every receiver, and no alert that it received stays open there. Where a clear
is refuted, `raised` is sent again and begins another round of steps.

A digest is not in the queue of any alert that it lists. So an alert is sent alone, and not listed, while an earlier
message about it is undelivered, or while the endpoint knows it as active from a message of its own.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, case, func, select

from strikewatch.core.alert import to_json
from strikewatch.core.instant import Instant
from strikewatch.storage.commit.prepared import PreparedListQuery, PreparedQuery, insert_missing
from strikewatch.storage.outbox.digests import DIGEST, Digest
from strikewatch.storage.outbox.messages import Message
from strikewatch.storage.outbox.notifications import Outgoing
from strikewatch.storage.schema.tables import nudges, outbox

Accepts = Callable[[Mapping[str, Any], Instant | None], bool]
"""(record, wall time) → whether an endpoint gets the alert at that time; None: at any time."""
Route = Callable[[str, Mapping[str, Any], Instant | None], bool]
"""The same with the endpoint, for all of them."""

_INSERT: Final = insert_missing(outbox, unset=("seq", "finished_ns"), numbered=True)
_RECIPIENTS: Final = PreparedListQuery(
    lambda ids: (
        select(
            outbox.c.site,
            outbox.c.alert_id,
            outbox.c.endpoint,
            func.min(outbox.c.state),
            func.max(outbox.c.state),
            func.count(case((outbox.c.step == "raised", 1))),
            func.count(case((outbox.c.step == "cleared", 1))),
        )
        .where(outbox.c.alert_id.in_(ids))
        .group_by(outbox.c.site, outbox.c.alert_id, outbox.c.endpoint)
    )
)
"""Who already got a message about each alert; the first state is "parked" and the last "waiting" if that of any is."""
_EXTERNAL_CHANGES: Final = PreparedQuery(select(nudges.c.endpoint, nudges.c.n))


def to_every_endpoint(_endpoint: str, _record: Mapping[str, Any], _now: Instant | None) -> bool:
    """Route every alert to every endpoint."""
    return True


@dataclass(slots=True)
class _Earlier:
    """An alert's earlier messages for an endpoint: whether any is parked or waits, and how many raise and clear it."""

    parked: bool = False
    waiting: bool = False
    raised: int = 0
    cleared: int = 0

    @property
    def is_open(self) -> bool:
        """Return whether the last round has no end yet."""
        return self.raised > self.cleared

    def round(self, step: str) -> int:
        """Return the round that a step belongs to; another begins when it is raised after a clear."""
        return self.cleared if step == "raised" else max(self.raised - 1, 0)

    def count(self, step: str) -> None:
        self.raised += step == "raised"
        self.cleared += step == "cleared"


class OutboxWriter:
    """Queues messages at the wall time `now`.

    `endpoints`: which alerts each of them accepts. `off`: those that are switched off (their messages are parked).
    """

    def __init__(
        self,
        connection: Connection,
        endpoints: Mapping[str, Accepts],
        off: Mapping[str, str],
        now: Instant,
    ) -> None:
        self._connection = connection
        self._endpoints = endpoints
        self._off = off
        self._now = now
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
            for endpoint, accepts in self._endpoints.items():
                if endpoint in known:
                    starts = change.step == "escalated" and not known[endpoint].is_open  # known from a digest
                    step = "raised" if starts else change.step
                    self._add(endpoint, change.site, change.alert_id, step, body, historic)
                elif change.step != "cleared" and accepts(change.record, self._now):
                    self._add(endpoint, change.site, change.alert_id, "raised", body, historic)
        for digest in outgoing.digests:
            for endpoint, accepts in self._endpoints.items():
                self._add_digest(endpoint, digest, accepts)
        return self._queued

    def _add_digest(self, endpoint: str, digest: Digest, accepts: Accepts) -> None:
        """Queue a digest of the alerts that an endpoint accepts, and those alone that it may not list."""
        # an endpoint that got an earlier digest of this episode gets its end at any time
        now = None if endpoint in self._earlier[digest.site, digest.id] else self._now
        listed = []
        for record in digest.records:
            earlier = self._earlier[digest.site, record["id"]].get(endpoint)
            if earlier is not None and (earlier.parked or earlier.waiting or earlier.is_open):
                self._add_alone(endpoint, digest.site, record, earlier)
            elif accepts(record, now):
                listed.append(record)
        if listed:
            self._add(endpoint, digest.site, digest.id, DIGEST, to_json(digest.body(listed)))

    def _add_alone(self, endpoint: str, site: str, record: dict[str, Any], earlier: _Earlier) -> None:
        """Queue the steps of an alert that its earlier messages do not tell."""
        steps = ["raised"] if not earlier.is_open else []
        if record["cleared"] is not None:
            steps.append("cleared")
        for step in steps:
            self._add(endpoint, site, record["id"], step, to_json(record), bool(record["historic"]))

    def _load(self, outgoing: Outgoing) -> None:
        """Load which endpoints already got a message about each alert or episode."""
        keys = {(change.site, change.alert_id) for change in outgoing.changes}
        for digest in outgoing.digests:
            keys.add((digest.site, digest.id))
            keys |= {(digest.site, record["id"]) for record in digest.records}
        self._earlier = {key: {} for key in keys}
        listed = sorted({about for _, about in keys})
        for site, about, endpoint, first, last, *counts in _RECIPIENTS.fetch(self._connection, listed):
            if (site, about) in keys:
                self._earlier[site, about][endpoint] = _Earlier(first == "parked", last == "waiting", *counts)
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
        earlier.waiting = True
        external_changes = self._external_changes.get(endpoint, 0)
        message = Message(
            *(number, site, about, 0, self._now, name, step, body, self._now),
            *(earlier.parked, external_changes, historic),
        )
        self._queued.append((endpoint, message))
