"""What is muted now: by whom, why, and until when; and how many alerts were counted and not sent."""

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
"""Who suppresses by design."""


@dataclass(frozen=True, slots=True)
class Mute:
    """One shelf, one hammer out of service, or one fault suppressed by the settings. None: not limited by it.

    `upto`: the highest priority that a shelf covers. `until` None: until somebody ends it. `active`: alerts that are
    active under it now.
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
class Sent:
    """Alerts with an onset since an instant, by how they were sent.

    `waiting`: held for the next digest, or still within their delay. `unsent`: muted, or ended within their delay.
    """

    alerts: int
    singly: int
    in_digests: int
    waiting: int
    unsent: int


def mutes(connection: Connection, suppressed: Collection[str]) -> list[Mute]:
    """Everything that is muted; `suppressed` are the faults that the settings name."""
    c = handling.c
    asked = (
        select(c.state, c.site, c.hammer, c.fault, func.count())
        .where(OPEN, c.state.in_(KINDS))
        .group_by(c.state, c.site, c.hammer, c.fault)
    )
    active: Counter[tuple[str, ...]] = Counter()
    for state, site, hammer, fault, n in connection.execute(asked):
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
    # Settings may have changed while the processor was away: what it still suppresses counts too.
    still = {name[1] for name in active if name[0] == "suppressed_by_design"}
    for fault in sorted({*suppressed} | still):
        n = active["suppressed_by_design", fault]
        reason = "alarms.suppressed"
        found.append(Mute("suppressed_by_design", None, None, fault, SETTINGS, reason, None, None, None, n))
    return found


def sent(connection: Connection, since: Instant) -> Sent:
    """How the alerts since an instant were sent; withdrawn ones were none."""
    c, a = handling.c, alerts.c
    waiting = c.held | (c.due_ns.is_not(None) & (c.told == ""))
    asked = (
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
    for told, waits, many in connection.execute(asked):
        n["waiting" if waits else told] += many
    return Sent(n.total(), n["alone"], n["digest"], n["waiting"], n[""])
