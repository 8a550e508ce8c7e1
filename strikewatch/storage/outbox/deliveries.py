"""List deliveries, and what people may do with them: send again, send a test, switch an endpoint off or on.

Every change notifies the dispatcher, which may run in another process and reloads within about a second.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import uuid4

from sqlalchemy import Connection, and_, insert, select, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Unknown
from strikewatch.storage.outbox.messages import TEST, dead_letter_all
from strikewatch.storage.outbox.outcomes import Attempt, attempts_of
from strikewatch.storage.queries.sites import Sites, of_sites
from strikewatch.storage.schema.tables import endpoints, nudges, outbox

STATES: Final = ("waiting", "sent", "parked")


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message for one endpoint.

    `due`: the next attempt, while it waits. `finished`: when it was sent or parked (given up: dead-lettered).
    """

    number: int
    endpoint: str
    state: str
    step: str
    site: str
    alert: str
    body: dict[str, Any]
    attempts: int
    created: Instant
    due: Instant
    outcome: str | None
    finished: Instant | None
    message: str

    def json(self) -> dict[str, Any]:
        """Return the JSON object that the API and commands give out."""
        return {
            "number": self.number,
            "endpoint": self.endpoint,
            "state": self.state,
            "step": self.step,
            "site": self.site or None,
            "hammer": self.body.get("hammer"),
            "fault": self.body.get("fault"),
            "alert": self.alert,
            "webhook_id": self.message,
            "attempts": self.attempts,
            "created": instant.text(self.created),
            "due": instant.text(self.due) if self.state == "waiting" else None,
            "finished": None if self.finished is None else instant.text(self.finished),
            "outcome": self.outcome,
        }


_DELIVERY: Final = select(
    outbox.c.seq,
    outbox.c.endpoint,
    outbox.c.state,
    outbox.c.step,
    outbox.c.site,
    outbox.c.alert_id,
    outbox.c.body,
    outbox.c.attempts,
    outbox.c.created_ns,
    outbox.c.due_ns,
    outbox.c.last_outcome,
    outbox.c.finished_ns,
    outbox.c.message,
)


def search(
    connection: Connection,
    *,
    endpoint: str | None = None,
    state: str | None = None,
    alert: str | None = None,
    begin: Instant | None = None,
    end: Instant | None = None,
    limit: int | None = None,
    sites: Sites = None,
) -> list[Delivery]:
    """Return matching deliveries, newest first; `alert` is an id or the beginning of one.

    `begin` and `end`: queued within [begin, end), wall time.
    """
    conditions = of_sites(outbox.c.site, sites)
    if endpoint is not None:
        conditions.append(outbox.c.endpoint == endpoint)
    if state is not None:
        conditions.append(outbox.c.state == state)
    if alert is not None:
        conditions.append(outbox.c.alert_id.startswith(alert, autoescape=True))
    if begin is not None:
        conditions.append(outbox.c.created_ns >= begin)
    if end is not None:
        conditions.append(outbox.c.created_ns < end)
    query = _DELIVERY.where(*conditions).order_by(outbox.c.seq.desc()).limit(limit)
    return [_delivery(row) for row in connection.execute(query)]


def look_up(connection: Connection, number: int, sites: Sites = None) -> tuple[Delivery, list[Attempt]]:
    """Return one delivery and its attempts. Raises Unknown."""
    query = _DELIVERY.where(outbox.c.seq == number, *of_sites(outbox.c.site, sites))
    row = connection.execute(query).one_or_none()
    if row is None:
        raise Unknown(f"there is no delivery {number}; `strikewatch deliveries list` shows them")
    return _delivery(row), attempts_of(connection, number)


def switched_off(connection: Connection) -> dict[str, str]:
    """Return the reason by endpoint that is switched off."""
    query = select(endpoints.c.name, endpoints.c.reason).where(endpoints.c.off_ns.is_not(None))
    return {row.name: row.reason for row in connection.execute(query)}


def endpoint_names(connection: Connection) -> list[str]:
    """Return the names of all endpoints that the processor was ever configured with."""
    return list(connection.scalars(select(endpoints.c.name).order_by(endpoints.c.name)))


def send_again(
    connection: Connection, now: Instant, *, numbers: Sequence[int] = (), endpoint: str | None = None
) -> int:
    """Queue parked messages again, starting with the first attempt; return how many.

    All parked messages of an alert are queued together, so that its steps keep their order.
    """
    which = outbox.c.endpoint == endpoint if endpoint is not None else outbox.c.seq.in_(numbers)
    columns = (outbox.c.endpoint, outbox.c.site, outbox.c.alert_id)
    parked = and_(which, outbox.c.state == "parked", outbox.c.step != TEST)
    found = [tuple(row) for row in connection.execute(select(*columns).where(parked).distinct())]
    changed = 0
    for name, site, alert in found:
        same = and_(outbox.c.endpoint == name, outbox.c.site == site, outbox.c.alert_id == alert)
        fresh = {"state": "waiting", "attempts": 0, "due_ns": now, "finished_ns": None}
        changed += connection.execute(
            update(outbox).where(same, outbox.c.state == "parked").values(fresh)
        ).rowcount
    for name in sorted({name for name, *_ in found}):
        _notify_dispatcher(connection, name)
    return changed


def queue_test(connection: Connection, endpoint: str, now: Instant) -> int:
    """Queue a test message for an endpoint; return its number."""
    name = uuid4().hex
    body = {
        "id": f"{TEST}-{name[:8]}",
        "site": "",
        "hammer": "",
        "endpoint": endpoint,
        "summary": "A test from strikewatch: nothing has happened, and nothing needs to be done.",
    }
    row = {
        "endpoint": endpoint,
        "message": name,
        "site": "",
        "alert_id": body["id"],
        "step": TEST,
        "body": json.dumps(body, separators=(",", ":")),
        "created_ns": now,
        "due_ns": now,
        "attempts": 0,
        "state": "waiting",
    }
    inserted = connection.execute(insert(outbox).values(row)).inserted_primary_key
    assert inserted is not None
    _notify_dispatcher(connection, endpoint)
    return int(inserted[0])


def switch_on(connection: Connection, endpoint: str) -> bool:
    """Switch an endpoint on; return whether it was off. Messages parked meanwhile stay parked until sent again."""
    c = endpoints.c
    was_off = and_(c.name == endpoint, c.off_ns.is_not(None))
    changed = connection.execute(update(endpoints).where(was_off).values(off_ns=None, reason=None)).rowcount
    _notify_dispatcher(connection, endpoint)
    return changed > 0


def switch_off(connection: Connection, endpoint: str, reason: str, now: Instant) -> bool:
    """Switch an endpoint off and park its waiting messages; return whether it was on."""
    c = endpoints.c
    was_on = and_(c.name == endpoint, c.off_ns.is_(None))
    changed = connection.execute(update(endpoints).where(was_on).values(off_ns=now, reason=reason)).rowcount
    if changed:
        dead_letter_all(connection, endpoint, reason, now)
    _notify_dispatcher(connection, endpoint)
    return changed > 0


def _notify_dispatcher(connection: Connection, endpoint: str) -> None:
    """Increment the endpoint's counter of external changes, which its delivery loop watches."""
    same = nudges.c.endpoint == endpoint
    if not connection.execute(update(nudges).where(same).values(n=nudges.c.n + 1)).rowcount:
        connection.execute(insert(nudges).values(endpoint=endpoint, n=1))


def _delivery(row: Any) -> Delivery:
    number, endpoint, state, step, site, alert, body, *rest = row
    return Delivery(number, endpoint, state, step, site, alert, json.loads(body), *rest)
