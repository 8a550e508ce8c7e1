"""Pressure baselines of hammers: the learned state, bouts by day, and the request to learn a baseline again."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import func, select

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused
from strikewatch.storage.commit.states import read_states
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import bouts, hammer_state

if TYPE_CHECKING:
    from strikewatch.core.batch import Key

DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class Day:
    """The bouts of one day (UTC). Levels in bar; None if no bout had one."""

    start: Instant
    bouts: int
    firing_s: float
    judged_share: float
    blank_s: float
    level_bar: float | None
    pulse_spread_bar: float | None


def states(database: DatabaseAccess, site: str | None, hammer: str | None) -> "list[tuple[Key, str, bytes]]":
    """Return (hammer, layout, saved state) of all matching hammers, sorted by name."""
    c = hammer_state.c
    where = [column == value for column, value in ((c.site, site), (c.hammer, hammer)) if value is not None]
    with database.read() as connection:
        return [((row[0], row[1]), row[2], row[3]) for row in read_states(connection, *where)]


def days(database: DatabaseAccess, key: "Key", since: Instant) -> list[Day]:
    """Return a hammer's bouts summed up by day, from the day of `since` on."""
    c = bouts.c
    day = (c.start_ns - c.start_ns % DAY).label("day")
    firing = func.sum(c.end_ns - c.start_ns)
    query = (
        select(
            day,
            func.count(),
            firing,
            func.sum(c.judged_ns),
            func.sum(c.blank_ns),
            func.avg(c.level_bar),
            func.avg(c.pulse_spread_bar),
        )
        .where(c.site == key[0], c.hammer == key[1], c.start_ns >= since - since % DAY)
        .group_by(day)
        .order_by(day)
    )
    with database.read() as connection:
        return [_day(*row) for row in connection.execute(query)]


def _day(start: Any, n: int, firing: Any, judged: Any, blank: Any, level: Any, pulse: Any) -> Day:
    return Day(
        int(start),
        n,
        float(firing) / SECOND,
        float(judged) / float(firing) if firing else 0.0,
        float(blank) / SECOND,
        None if level is None else float(level),
        None if pulse is None else float(pulse),
    )


def relearn(
    database: DatabaseAccess, site: str | None, hammer: str, *, by: str, reason: str, now: Instant
) -> "Key":
    """Request that a hammer's baseline be learned again from now on; the processor applies the event within a second.

    Raises Refused for a hammer that is unknown, or that exists at two sites.
    """
    from strikewatch.core.events import Event
    from strikewatch.storage.commit.statements import EVENT, event_row

    found = [key for key, _, _ in states(database, site, hammer)]
    if not found:
        raise Refused(f"no hammer {hammer!r} is known: `strikewatch baseline` lists all")
    if len(found) > 1:
        sites = ", ".join(key[0] for key in found)
        raise Refused(f"several sites have a hammer {hammer!r} ({sites}): choose one with --site")
    (key,) = found
    event = Event(*key, "relearn", now, {"by": by, "note": reason})
    with database.write() as connection:
        EVENT.run(connection, [event_row(event, now, by)])
    return key
