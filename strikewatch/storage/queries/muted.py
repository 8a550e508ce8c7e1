"""Everything that is muted now: by whom, why and until when; and how many alerts were not sent."""

from collections import Counter
from collections.abc import Collection
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

from sqlalchemy import Connection, and_, func, select

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.storage.schema.alarm_tables import OPEN, handling, shelves, workshop
from strikewatch.storage.schema.tables import alerts, hammer_state

Kind = Literal["shelved", "out_of_service", "suppressed_by_design"]
KINDS: Final[tuple[Kind, ...]] = ("out_of_service", "shelved", "suppressed_by_design")
SETTINGS: Final = "settings"
"""The value of `by` for faults that the settings suppress."""


@dataclass(frozen=True, slots=True)
class Mute:
    """One shelf, one hammer out of service, or one fault suppressed by the settings. None: not limited by that field.

    `upto`: the highest priority that a shelf covers. `until` None: until someone ends it. `active`: how many active
    alerts it mutes now.
    """

    kind: Kind
    site: str | None
    hammer: str | None
    fault: str | None
    by: str
    reason: str
    since: Instant | None
    until: Instant | None
    upto: str | None
    active: int

    def json(self) -> dict[str, Any]:
        times = {"since": self.since, "until": self.until}
        return asdict(self) | {name: None if at is None else instant.text(at) for name, at in times.items()}


@dataclass(frozen=True, slots=True)
class SentCounts:
    """Counts of the alerts with an onset since an instant, by how they were sent.

    `waiting`: held for the next digest, or within their delay. `unsent`: muted, or ended within their delay.
    """

    alerts: int
    singly: int
    in_digests: int
    waiting: int
    unsent: int


def list_mutes(connection: Connection, suppressed: Collection[str]) -> list[Mute]:
    """List everything that is muted; `suppressed`: the faults that the settings suppress."""
    c = handling.c
    query = (
        select(c.state, c.site, c.hammer, c.fault, func.count())
        .where(OPEN, c.state.in_(KINDS))
        .group_by(c.state, c.site, c.hammer, c.fault)
    )
    active: Counter[tuple[str, ...]] = Counter()
    for state, site, hammer, fault, n in connection.execute(query):
        names = {
            "shelved": (state, site, hammer, fault),
            "out_of_service": (state, site, hammer),
            "suppressed_by_design": (state, fault),
        }
        active[names[state]] += n
    w, s = workshop.c, shelves.c
    stays = select(w.site, w.hammer, w.who, w.reason, w.since_ns, w.until_ns).order_by(w.site, w.hammer)
    shelved = select(s.site, s.hammer, s.fault, s.who, s.reason, s.since_ns, s.until_ns, s.upto)
    found: list[Mute] = []
    for site, hammer, by, why, since, until in connection.execute(stays):
        n = active["out_of_service", site, hammer]
        found.append(Mute("out_of_service", site, hammer, None, by, why, since, until, None, n))
    shelved = shelved.order_by(s.site, s.hammer, s.fault)
    for site, hammer, fault, by, why, since, until, upto in connection.execute(shelved):
        n = active["shelved", site, hammer, fault]
        found.append(Mute("shelved", site, hammer, fault, by, why, since, until, upto, n))
    # The settings may have changed while the processor was not running: list what is still suppressed, too.
    still = {name[1] for name in active if name[0] == "suppressed_by_design"}
    for fault in sorted({*suppressed} | still):
        n = active["suppressed_by_design", fault]
        reason = "alarms.suppressed"
        found.append(Mute("suppressed_by_design", None, None, fault, SETTINGS, reason, None, None, None, n))
    return found


def count_sent(connection: Connection, since: Instant) -> SentCounts:
    """Count how the alerts with an onset since an instant were sent, withdrawn ones excepted."""
    c, a = handling.c, alerts.c
    waiting = c.held | (c.due_ns.is_not(None) & (c.told == ""))
    query = (
        select(c.told, waiting, func.count())
        .join_from(alerts, handling, and_(a.site == c.site, a.id == c.id))
        .where(
            a.site.in_(select(hammer_state.c.site).distinct()),
            a.onset_ns >= since,
            a.record.not_like('%"withdrawn"%'),
        )
        .group_by(c.told, waiting)
    )
    n: Counter[str] = Counter()
    for sent_as, waits, count in connection.execute(query):
        n["waiting" if waits else sent_as] += count
    return SentCounts(n.total(), n["alone"], n["digest"], n["waiting"], n[""])
