"""The outbox as the dispatcher sees it: an endpoint's waiting messages, read or handed over in memory."""

import json
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, bindparam, exists, func, select, update

from strikewatch.core.alert import Change, to_json
from strikewatch.core.instant import Instant
from strikewatch.errors import StoreBlocked
from strikewatch.storage.commit.prepared import PreparedListQuery, PreparedQuery
from strikewatch.storage.outbox.digests import DIGEST, leave_out
from strikewatch.storage.outbox.outcomes import Outcome
from strikewatch.storage.schema.tables import WAITING, alerts, endpoints, nudges, outbox

if TYPE_CHECKING:
    from strikewatch.storage.commit.store import Store

PAGE_SIZE: Final = 200
MAX_HANDOVER_BYTES: Final = 4 << 20
"""How much is handed over in memory to one endpoint; of more, nothing."""
MAX_STEP_S: Final = 0.1
"""How long outcomes wait to be written with the step under way, s; it takes longer only while the database refuses."""
_MESSAGE_BYTES: Final = 500
"""About what a message takes beside its body."""
TEST: Final = "test"
"""The step of a test message, which is sent once and is about no alert."""


@dataclass(frozen=True, slots=True)
class Message:
    """A message to be sent.

    `name`: derived from the content. `body`: the alert's record as JSON. `created` and `due`: wall time. `attempts`:
    those made so far. `blocked`: an earlier message of its alert is parked, and this one may not overtake it.
    `external_changes`: the value of `Outbox.external_changes` when this was read. `historic`: its alert was found late.
    `left_out`: how many alerts a digest no longer lists, since they have newer messages.
    """

    seq: int
    site: str
    alert_id: str
    attempts: int
    due: Instant
    name: str
    step: str
    body: str
    created: Instant
    blocked: bool = False
    external_changes: int = 0
    historic: bool = False
    left_out: int = 0

    @property
    def size(self) -> int:
        """Return about how much memory it takes, bytes."""
        return len(self.body) + _MESSAGE_BYTES


class Handover:
    """Messages that were just committed, for one endpoint's delivery loop. Thread-safe.

    The database holds them, too, so nothing is lost if this holds too much and drops them.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._messages: list[Message] | None = None
        self._size = 0

    def put(self, message: Message) -> None:
        """Add a message after its transaction has been committed."""
        with self._lock:
            if self._messages is None:
                return
            self._messages.append(message)
            self._size += message.size
            if self._size > MAX_HANDOVER_BYTES:
                self._messages = None

    def take(self) -> list[Message] | None:
        """Return the messages committed since the last call; None: read the database (at first, or too many)."""
        with self._lock:
            messages, self._messages, self._size = self._messages, [], 0
            return messages


class Outbox:
    """The outbox of one endpoint."""

    def __init__(self, store: "Store", endpoint: str) -> None:
        self._store = store
        self._endpoint = endpoint

    @property
    def off_reason(self) -> str | None:
        """Return why the endpoint is switched off; None while it is on."""
        return self._store.switched_off.get(self._endpoint)

    def waiting(self, after: int = 0, *, historic: bool = False) -> list[Message]:
        """Return the first `PAGE_SIZE` waiting messages numbered above `after`, in queued order.

        `historic`: only those of alerts that were found late.
        """
        query = _WAITING_HISTORIC if historic else _WAITING_ALL
        with self._store.read() as connection:
            rows = query.fetch(connection, endpoint=self._endpoint, after=after)
            return [_message(row) for row in rows]

    def message(self, seq: int) -> Message | None:
        """Return the message with a number as it is to be sent now.

        A digest leaves out the alerts that got a message after it, which may have been sent already. None: there are
        no others.
        """
        with self._store.read() as connection:
            (row,) = _BY_NUMBER.fetch(connection, number=seq)
            message = _message(row)
            if message.step != DIGEST:
                return message
            body = json.loads(message.body)
            listed = [record["id"] for record in body["alerts"]]
            about = {"endpoint": self._endpoint, "site": message.site, "after": seq}
            newer = {alert_id for (alert_id,) in _WITH_NEWER_MESSAGE.fetch(connection, listed, **about)}
        if not newer:
            return message
        left = leave_out(body, newer)
        return None if left is None else replace(message, body=to_json(left), left_out=len(newer))

    def take_handed(self) -> list[Message] | None:
        """Return the messages that this process committed since the last call; None: read all with `waiting`."""
        return self._store.handovers[self._endpoint].take()

    def record_outcomes(self, outcomes: Sequence[Outcome]) -> None:
        """Record outcomes; they are written with the next step, or by `flush`.

        A parked message is written at once, since messages queued behind it must find it parked.
        """
        self._store.deferred_outcomes.add(outcomes)
        if any(outcome.state == "parked" for outcome in outcomes):
            with suppress(StoreBlocked):
                self.flush()

    def flush(self) -> None:
        """Write the recorded outcomes. Raises StoreBlocked if the database refuses; they stay recorded.

        A step under way writes them sooner than a transaction that delays it and is synced by itself.
        """
        self._store.flush(MAX_STEP_S)

    def switch_off(self, reason: str, at: Instant) -> None:
        """Switch the endpoint off for good: park its waiting messages and all new ones."""
        with self._store.write() as connection:
            connection.execute(
                update(endpoints).where(endpoints.c.name == self._endpoint).values(off_ns=at, reason=reason)
            )
            self._record_off(connection, reason, at)

    def _record_off(self, connection: Connection, reason: str, at: Instant) -> None:
        dead_letter_all(connection, self._endpoint, reason, at)
        self._store.switched_off[self._endpoint] = reason

    def external_changes(self) -> int:
        """Return a counter that rises when someone else changes waiting messages or switches the endpoint on or off."""
        with self._store.read() as connection:
            rows = _EXTERNAL_CHANGES.fetch(connection, endpoint=self._endpoint)
            return rows[0][0] if rows else 0

    def refresh(self) -> None:
        """Write the recorded outcomes, and load whether the endpoint is on."""
        self.flush()
        with self._store.write() as connection:
            row = connection.execute(
                select(endpoints.c.off_ns, endpoints.c.reason).where(endpoints.c.name == self._endpoint)
            ).one_or_none()
            if row is not None and row.off_ns is None:
                self._store.switched_off.pop(self._endpoint, None)
            elif row is not None:
                self._record_off(connection, row.reason, row.off_ns)

    def counts(self) -> dict[str, int]:
        """Count the messages by state."""
        with self._store.read() as connection:
            counted = (
                select(outbox.c.state, func.count().label("n"))
                .where(outbox.c.endpoint == self._endpoint)
                .group_by(outbox.c.state)
            )
            return {row.state: row.n for row in connection.execute(counted)}


def dead_letter_all(connection: Connection, endpoint: str, reason: str, at: Instant) -> None:
    """Park all waiting messages of an endpoint; they stay parked until they are sent again."""
    connection.execute(
        update(outbox)
        .where(outbox.c.endpoint == endpoint, WAITING)
        .values(state="parked", last_outcome=reason, finished_ns=at)
    )


_earlier = outbox.alias("earlier")
_HISTORIC: Final = exists().where(
    alerts.c.site == outbox.c.site, alerts.c.id == outbox.c.alert_id, alerts.c.historic
)
MESSAGE: Final = select(
    outbox.c.seq,
    outbox.c.site,
    outbox.c.alert_id,
    outbox.c.attempts,
    outbox.c.due_ns,
    outbox.c.message,
    outbox.c.step,
    outbox.c.body,
    outbox.c.created_ns,
    exists()
    .where(
        _earlier.c.alert_id == outbox.c.alert_id,
        _earlier.c.site == outbox.c.site,
        _earlier.c.endpoint == outbox.c.endpoint,
        _earlier.c.seq < outbox.c.seq,
        _earlier.c.state == "parked",
    )
    .label("blocked"),
    func.coalesce(
        select(nudges.c.n).where(nudges.c.endpoint == outbox.c.endpoint).correlate(outbox).scalar_subquery(),
        0,
    ).label("external_changes"),
    _HISTORIC.label("historic"),
)
_BY_NUMBER: Final = PreparedQuery(MESSAGE.where(outbox.c.seq == bindparam("number")))
_WAITING = (
    MESSAGE.where(
        outbox.c.endpoint == bindparam("endpoint"),
        WAITING,
        outbox.c.seq > bindparam("after"),
    )
    .order_by(outbox.c.seq)
    .limit(PAGE_SIZE)
)
_WAITING_ALL: Final = PreparedQuery(_WAITING)
_WAITING_HISTORIC: Final = PreparedQuery(_WAITING.where(_HISTORIC))
_WITH_NEWER_MESSAGE: Final = PreparedListQuery(
    lambda ids: (
        select(outbox.c.alert_id)
        .where(
            outbox.c.alert_id.in_(ids),
            outbox.c.endpoint == bindparam("endpoint"),
            outbox.c.site == bindparam("site"),
            outbox.c.seq > bindparam("after"),
        )
        .distinct()
    )
)
_EXTERNAL_CHANGES: Final = PreparedQuery(select(nudges.c.n).where(nudges.c.endpoint == bindparam("endpoint")))


def _message(row: Any) -> Message:
    """Return the message of a row of `MESSAGE`, as the driver gives it."""
    message = Message(*row)
    return replace(message, blocked=bool(message.blocked), historic=bool(message.historic))


class _RollbackError(Exception):
    """End the transaction without a commit."""


def queued_messages(store: "Store", changes: Sequence[Change], now: Instant) -> list[tuple[str, Message]]:
    """Return (endpoint, message) for every message that a step at `now` with these changes would queue.

    The step runs in a transaction that is rolled back, so this works on a full disk. The message names are those that
    the committed step will use. Raises StoreError.
    """
    messages: list[tuple[str, Message]] = []
    try:
        with store.write() as connection:
            messages += store.store_changes(connection, changes, now)
            raise _RollbackError
    except _RollbackError:
        return messages
