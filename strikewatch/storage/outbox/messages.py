"""The outbox as its courier sees it: what waits for an endpoint, and what became of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from sqlalchemy import Connection, bindparam, exists, func, select, update

from strikewatch.core.instant import Instant
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.attempts import Attempt
from strikewatch.storage.schema.delivery_tables import nudges
from strikewatch.storage.schema.tables import WAITING, alerts, endpoints, outbox

PAGE: Final = 200
TEST: Final = "test"
"""The step of a message that says nothing of an alert: it tries the way, once."""


@dataclass(frozen=True, slots=True)
class Message:
    """A message that still has to go out.

    `name` is the same for the same content, `body` the alert's record as JSON. `created` and `due` are wall time,
    `attempts` those made so far. `behind`: an earlier message of its alert is parked, and it may not overtake that.
    `nudged`: what `Outbox.nudged` told at the very moment of reading. `historic`: of an alert that came late already.
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
    behind: bool = False
    nudged: int = 0
    historic: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a message. `due` is its next attempt while it waits, `at` the wall time of this.

    `took_us`: how long the attempt took; None where none was made. `story`: how far it came.
    """

    seq: int
    state: Literal["waiting", "sent", "parked"]
    attempts: int
    due: Instant
    words: str
    at: Instant
    took_us: int | None = None
    story: str = ""


class Outbox:
    """One endpoint's share of the outbox."""

    def __init__(self, store: Store, endpoint: str) -> None:
        self._store = store
        self._endpoint = endpoint

    @property
    def off(self) -> str | None:
        """Why the endpoint is switched off; None while it is on."""
        return self._store.off.get(self._endpoint)

    def waiting(self, after: int = 0) -> list[Message]:
        """The first PAGE of what waits with a number beyond `after`, in the order in which it was queued."""
        with self._store.read() as connection:
            rows = connection.execute(_WAITING, {"endpoint": self._endpoint, "after": after})
            return [Message(*row) for row in rows]

    def message(self, seq: int) -> Message:
        with self._store.read() as connection:
            return Message(*connection.execute(_ONE, {"number": seq}).one())

    def settle(self, outcomes: Sequence[Outcome]) -> None:
        """Note what became of some messages; written with the next step, or at `flush`.

        What is parked is written at once: whatever is queued behind it must find it so.
        """
        self._store.ride_along(
            {
                "number": one.seq,
                "state": one.state,
                "attempts": one.attempts,
                "due_ns": one.due,
                "last_outcome": one.words,
                "finished_ns": None if one.state == "waiting" else one.at,
                "attempt": None
                if one.took_us is None
                else Attempt(one.seq, one.at, one.took_us, one.words, one.story),
            }
            for one in outcomes
        )
        if any(one.state == "parked" for one in outcomes):
            self.flush()

    def flush(self) -> None:
        """Write what is noted now."""
        self._store.flush()

    def switch_off(self, reason: str, at: Instant) -> None:
        """Send nothing more here, also after a restart; what waits is parked, and so is what comes."""
        with self._store.write() as connection:
            connection.execute(
                update(endpoints).where(endpoints.c.name == self._endpoint).values(off_ns=at, reason=reason)
            )
            self._off(connection, reason, at)

    def _off(self, connection: Connection, reason: str, at: Instant) -> None:
        park_all(connection, self._endpoint, reason, at)
        self._store.off[self._endpoint] = reason

    def nudged(self) -> int:
        """Changes when somebody outside has changed what waits here, or switched the endpoint on."""
        with self._store.read() as connection:
            return connection.scalar(_NUDGED, {"endpoint": self._endpoint}) or 0

    def look_anew(self) -> None:
        """Write what is noted, and learn whether the endpoint is on."""
        self.flush()
        with self._store.write() as connection:
            row = connection.execute(
                select(endpoints.c.off_ns, endpoints.c.reason).where(endpoints.c.name == self._endpoint)
            ).one_or_none()
            if row is not None and row.off_ns is None:
                self._store.off.pop(self._endpoint, None)
            elif row is not None:
                self._off(connection, row.reason, row.off_ns)

    def counts(self) -> dict[str, int]:
        """Messages by state."""
        with self._store.read() as connection:
            counted = (
                select(outbox.c.state, func.count().label("n"))
                .where(outbox.c.endpoint == self._endpoint)
                .group_by(outbox.c.state)
            )
            return {row.state: row.n for row in connection.execute(counted)}


def park_all(connection: Connection, endpoint: str, reason: str, at: Instant) -> None:
    """Nothing that waits for an endpoint goes out until it is sent again."""
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
    .label("behind"),
    func.coalesce(
        select(nudges.c.n).where(nudges.c.endpoint == outbox.c.endpoint).correlate(outbox).scalar_subquery(),
        0,
    ).label("nudged"),
    exists()
    .where(alerts.c.site == outbox.c.site, alerts.c.id == outbox.c.alert_id, alerts.c.historic)
    .label("historic"),
)
_ONE: Final = MESSAGE.where(outbox.c.seq == bindparam("number"))
_WAITING: Final = (
    MESSAGE.where(
        outbox.c.endpoint == bindparam("endpoint"),
        WAITING,
        outbox.c.seq > bindparam("after"),
    )
    .order_by(outbox.c.seq)
    .limit(PAGE)
)
_NUDGED: Final = select(nudges.c.n).where(nudges.c.endpoint == bindparam("endpoint"))
