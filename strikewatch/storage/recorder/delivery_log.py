"""The log of deliveries beside each recording, so that a restored database does not send messages a second time.

`deliveries.jsonl`: one delivered message a line, with endpoint, alert or episode, step, and the name of the message,
which is derived from its content. A restored database queues the messages of replayed recordings again. Their names
may differ, since evidence such as `historic` depends on when an alert was found, so the number counts, too.
"""

import json
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Final, NamedTuple

from sqlalchemy import Connection, select, update

from strikewatch.core.instant import Instant
from strikewatch.errors import StoreError
from strikewatch.storage.outbox.messages import TEST
from strikewatch.storage.schema.tables import WAITING, outbox

DELIVERIES: Final = "deliveries.jsonl"
_BEFORE_RESTORE: Final = "delivered before the database was restored"


class Delivery(NamedTuple):
    """A delivered message. `about`: id of its alert or episode. `name`: of the message."""

    endpoint: str
    site: str
    about: str
    step: str
    name: str


def delivered(connection: Connection, since: Instant, site: str | None = None) -> list[Delivery]:
    """Return the messages that were delivered at or after the wall time `since`, of one site or of all."""
    c = outbox.c
    query = select(c.endpoint, c.site, c.alert_id, c.step, c.message).where(
        c.state == "sent", c.step != TEST, c.finished_ns >= since
    )
    if site is not None:
        query = query.where(c.site == site)
    return [Delivery(*row) for row in connection.execute(query.order_by(c.seq))]


def write_deliveries(folder: Path, deliveries: Iterable[Delivery]) -> None:
    """Write the log into a recording's folder; no file without deliveries. Raises OSError."""
    lines = [json.dumps(delivery._asdict(), ensure_ascii=False) + "\n" for delivery in deliveries]
    if lines:
        (folder / DELIVERIES).write_text("".join(lines), encoding="utf-8")


def read_deliveries(folder: Path) -> list[Delivery]:
    """Read the log of a recording's folder; empty if there is none. Raises StoreError."""
    path = folder / DELIVERIES
    try:
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        return [Delivery(**json.loads(line)) for line in lines]
    except (OSError, ValueError, TypeError) as error:
        raise StoreError(
            f"{path} cannot be read: {error}. Move it away to send its messages again"
        ) from error


def mark_delivered(connection: Connection, deliveries: Iterable[Delivery], now: Instant) -> int:
    """Mark the waiting messages that were delivered already; return how many. `now`: wall time."""
    names: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for delivery in deliveries:
        names[delivery[:-1]].add(delivery.name)
    c, marked = outbox.c, 0
    for (endpoint, site, about, step), known in names.items():
        same = (c.endpoint == endpoint, c.site == site, c.alert_id == about, c.step == step)
        sent = set(connection.scalars(select(c.message).where(*same, c.state == "sent")))
        rows = connection.execute(select(c.seq, c.message).where(*same, WAITING).order_by(c.seq)).all()
        waiting = sorted(
            rows, key=lambda row: row.message not in known
        )  # the same one first, then one like it
        for row in waiting[: len(known - sent)]:
            values = {"state": "sent", "finished_ns": now, "last_outcome": _BEFORE_RESTORE}
            connection.execute(update(outbox).where(c.seq == row.seq).values(values))
            marked += 1
    return marked
