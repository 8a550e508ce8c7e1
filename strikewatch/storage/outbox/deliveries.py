"""Deliveries as people look at them, and what they may ask for: send again, try the way, switch off and on.

All but the reading leaves a nudge, so that a courier at work elsewhere looks anew within about a second.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import uuid4

from sqlalchemy import ColumnElement, Connection, and_, insert, select, tuple_, update

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Unknown
from strikewatch.storage.outbox import attempts
from strikewatch.storage.outbox.attempts import Attempt
from strikewatch.storage.outbox.messages import TEST, park_all
from strikewatch.storage.schema.delivery_tables import nudges
from strikewatch.storage.schema.tables import endpoints, outbox

STATES: Final = ("waiting", "sent", "parked")


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message for one endpoint. `due` is its next attempt while it waits, `finished` when it was sent or parked."""

    number: int
    endpoint: str
    state: str
    step: str
    site: str
    alert: str
    told: dict[str, Any]
    attempts: int
    created: Instant
    due: Instant
    outcome: str | None
    finished: Instant | None
    message: str

    def json(self) -> dict[str, Any]:
        """As others' programs get it."""
        return {
            "number": self.number,
            "endpoint": self.endpoint,
            "state": self.state,
            "step": self.step,
            "site": self.site or None,
            "hammer": self.told.get("hammer"),
            "fault": self.told.get("fault"),
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
    limit: int | None = None,
) -> list[Delivery]:
    """Deliveries that fit, the newest first; `alert` is an id or the start of one."""
    conditions: list[ColumnElement[bool]] = []
    if endpoint is not None:
        conditions.append(outbox.c.endpoint == endpoint)
    if state is not None:
        conditions.append(outbox.c.state == state)
    if alert is not None:
        conditions.append(outbox.c.alert_id.startswith(alert, autoescape=True))
    asked = _DELIVERY.where(*conditions).order_by(outbox.c.seq.desc()).limit(limit)
    return [_delivery(row) for row in connection.execute(asked)]


def look_up(connection: Connection, number: int) -> tuple[Delivery, list[Attempt]]:
    """One delivery and what was tried with it. Raises Unknown."""
    row = connection.execute(_DELIVERY.where(outbox.c.seq == number)).one_or_none()
    if row is None:
        raise Unknown(f"there is no delivery {number}; `strikewatch deliveries list` shows them")
    return _delivery(row), attempts.of_message(connection, number)


def off(connection: Connection) -> dict[str, str]:
    """The endpoints that are switched off, and why."""
    asked = select(endpoints.c.name, endpoints.c.reason).where(endpoints.c.off_ns.is_not(None))
    return {row.name: row.reason for row in connection.execute(asked)}


def known(connection: Connection) -> list[str]:
    """The endpoints that the processor was ever given, by name."""
    return list(connection.scalars(select(endpoints.c.name).order_by(endpoints.c.name)))


def send_again(
    connection: Connection, now: Instant, *, numbers: Sequence[int] = (), endpoint: str | None = None
) -> int:
    """Let parked messages wait for their turn again, from the first attempt on; how many.

    Those of an alert go together, so that its steps keep their order: naming one names all that are parked.
    """
    which = outbox.c.endpoint == endpoint if endpoint is not None else outbox.c.seq.in_(numbers)
    line = tuple_(outbox.c.endpoint, outbox.c.site, outbox.c.alert_id)
    parked = and_(which, outbox.c.state == "parked", outbox.c.step != TEST)
    lines = [tuple(row) for row in connection.execute(select(*line.clauses).where(parked).distinct())]
    changed = 0
    for place, site, alert in lines:
        same = and_(outbox.c.endpoint == place, outbox.c.site == site, outbox.c.alert_id == alert)
        fresh = {"state": "waiting", "attempts": 0, "due_ns": now, "finished_ns": None}
        changed += connection.execute(
            update(outbox).where(same, outbox.c.state == "parked").values(fresh)
        ).rowcount
    for place in sorted({place for place, *_ in lines}):
        _nudge(connection, place)
    return changed


def queue_test(connection: Connection, endpoint: str, now: Instant) -> int:
    """Put a message into the outbox that only tries the way; its number."""
    name = uuid4().hex
    told = {
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
        "alert_id": told["id"],
        "step": TEST,
        "body": json.dumps(told, separators=(",", ":")),
        "created_ns": now,
        "due_ns": now,
        "attempts": 0,
        "state": "waiting",
    }
    made = connection.execute(insert(outbox).values(row)).inserted_primary_key
    assert made is not None
    return int(made[0])


def switch_on(connection: Connection, endpoint: str) -> bool:
    """Send to an endpoint again; whether it was off. What was parked meanwhile stays so until it is sent again."""
    c = endpoints.c
    was_off = and_(c.name == endpoint, c.off_ns.is_not(None))
    changed = connection.execute(update(endpoints).where(was_off).values(off_ns=None, reason=None)).rowcount
    _nudge(connection, endpoint)
    return changed > 0


def switch_off(connection: Connection, endpoint: str, reason: str, now: Instant) -> bool:
    """Send nothing more to an endpoint, and park what waits; whether it was on."""
    c = endpoints.c
    was_on = and_(c.name == endpoint, c.off_ns.is_(None))
    changed = connection.execute(update(endpoints).where(was_on).values(off_ns=now, reason=reason)).rowcount
    if changed:
        park_all(connection, endpoint, reason, now)
    _nudge(connection, endpoint)
    return changed > 0


def _nudge(connection: Connection, endpoint: str) -> None:
    same = nudges.c.endpoint == endpoint
    if not connection.execute(update(nudges).where(same).values(n=nudges.c.n + 1)).rowcount:
        connection.execute(insert(nudges).values(endpoint=endpoint, n=1))


def _delivery(row: Any) -> Delivery:
    number, endpoint, state, step, site, alert, body, *rest = row
    return Delivery(number, endpoint, state, step, site, alert, json.loads(body), *rest)
