"""The outbox as the dispatcher sees it: an endpoint's waiting messages, the delivery attempts, and their outcomes."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from sqlalchemy import Connection, Delete, bindparam, delete, exists, func, insert, select, update

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.instant import Instant
from strikewatch.storage.schema.tables import WAITING, alerts, attempts, endpoints, nudges, outbox

if TYPE_CHECKING:
    from strikewatch.storage.commit.store import Store

PAGE_SIZE: Final = 200
TEST: Final = "test"
"""The step of a test message, which is sent once and is about no alert."""


@dataclass(frozen=True, slots=True)
class Message:
    """A message to be sent.

    `name`: derived from the content. `body`: the alert's record as JSON. `created` and `due`: wall time. `attempts`:
    those made so far. `blocked`: an earlier message of its alert is parked, and this one may not overtake it.
    `external_changes`: the value of `Outbox.external_changes` when this was read. `historic`: its alert was found late.
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


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an attempt. `due`: the next attempt, while the message waits. `at`: the wall time of this outcome.

    "parked" is given up (dead-lettered). `took_us`: how long the attempt took; None if none was made. `trace`: one
    line per step of the attempt.
    """

    seq: int
    state: Literal["waiting", "sent", "parked"]
    attempts: int
    due: Instant
    summary: str
    at: Instant
    took_us: int | None = None
    trace: str = ""


class Outbox:
    """The outbox of one endpoint."""

    def __init__(self, store: "Store", endpoint: str) -> None:
        self._store = store
        self._endpoint = endpoint

    @property
    def off_reason(self) -> str | None:
        """Return why the endpoint is switched off; None while it is on."""
        return self._store.switched_off.get(self._endpoint)

    def waiting(self, after: int = 0) -> list[Message]:
        """Return the first `PAGE_SIZE` waiting messages numbered above `after`, in queued order."""
        with self._store.read() as connection:
            rows = connection.execute(_WAITING, {"endpoint": self._endpoint, "after": after})
            return [Message(*row) for row in rows]

    def message(self, seq: int) -> Message:
        """Return the message with a number."""
        with self._store.read() as connection:
            return Message(*connection.execute(_BY_NUMBER, {"number": seq}).one())

    def record_outcomes(self, outcomes: Sequence[Outcome]) -> None:
        """Record outcomes; they are written with the next step, or by `flush`.

        A parked message is written at once, since messages queued behind it must find it parked.
        """
        self._store.defer_outcomes(
            {
                "number": outcome.seq,
                "state": outcome.state,
                "attempts": outcome.attempts,
                "due_ns": outcome.due,
                "last_outcome": outcome.summary,
                "finished_ns": None if outcome.state == "waiting" else outcome.at,
                "attempt": None
                if outcome.took_us is None
                else Attempt(outcome.seq, outcome.at, outcome.took_us, outcome.summary, outcome.trace),
            }
            for outcome in outcomes
        )
        if any(outcome.state == "parked" for outcome in outcomes):
            self.flush()

    def flush(self) -> None:
        """Write the recorded outcomes now."""
        self._store.flush()

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
            return connection.scalar(_EXTERNAL_CHANGES, {"endpoint": self._endpoint}) or 0

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
    exists()
    .where(alerts.c.site == outbox.c.site, alerts.c.id == outbox.c.alert_id, alerts.c.historic)
    .label("historic"),
)
_BY_NUMBER: Final = MESSAGE.where(outbox.c.seq == bindparam("number"))
_WAITING: Final = (
    MESSAGE.where(
        outbox.c.endpoint == bindparam("endpoint"),
        WAITING,
        outbox.c.seq > bindparam("after"),
    )
    .order_by(outbox.c.seq)
    .limit(PAGE_SIZE)
)
_EXTERNAL_CHANGES: Final = select(nudges.c.n).where(nudges.c.endpoint == bindparam("endpoint"))


MAX_ATTEMPTS_KEPT: Final = 10_000
"""How many attempts are kept."""


def delete_attempts_beyond(kept: int) -> Delete:
    """Return the statement that deletes all but the newest `kept` attempts."""
    return delete(attempts).where(attempts.c.seq <= select(func.max(attempts.c.seq)).scalar_subquery() - kept)


_DELETE_OLD_ATTEMPTS: Final = delete_attempts_beyond(MAX_ATTEMPTS_KEPT)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to deliver the message `outbox_seq` at the wall time `at_ns`; `trace` has one line per step."""

    outbox_seq: int
    at_ns: Instant
    took_us: int
    outcome: str
    trace: str

    def json(self) -> dict[str, Any]:
        """Return the JSON object that the API and commands give out."""
        return {
            "at": instant.text(self.at_ns),
            "took_ms": self.took_us / 1000,
            "outcome": self.outcome,
            "steps": self.trace.splitlines(),
        }


def write_attempts(connection: Connection, made: Iterable[Attempt | None]) -> None:
    """Store attempts and delete the oldest beyond `MAX_ATTEMPTS_KEPT`; skip None."""
    rows = [_attempt_row(attempt) for attempt in made if attempt is not None]
    if rows:
        connection.execute(insert(attempts), rows)
        connection.execute(_DELETE_OLD_ATTEMPTS)


def attempts_of(connection: Connection, seq: int) -> list[Attempt]:
    """Return the attempts to deliver a message, oldest first."""
    c = attempts.c
    query = (
        select(c.outbox_seq, c.at_ns, c.took_us, c.outcome, c.story)
        .where(c.outbox_seq == seq)
        .order_by(c.seq)
    )
    return [Attempt(*row) for row in connection.execute(query)]


def _attempt_row(attempt: Attempt) -> dict[str, Any]:
    row = asdict(attempt)
    row["story"] = row.pop("trace")  # the column keeps its first name
    return row


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
            last_seq = connection.scalar(select(func.max(outbox.c.seq))) or 0
            store.store_changes(connection, changes, now)
            query = (
                MESSAGE.add_columns(outbox.c.endpoint).where(outbox.c.seq > last_seq).order_by(outbox.c.seq)
            )
            messages += [(endpoint, Message(*row)) for *row, endpoint in connection.execute(query)]
            raise _RollbackError
    except _RollbackError:
        return messages
