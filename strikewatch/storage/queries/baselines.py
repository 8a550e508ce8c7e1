"""What the database holds of hammers' loaded levels: the learned state, bouts day by day, and a wish to learn anew."""

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import func, select

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused
from strikewatch.storage.commit import statements
from strikewatch.storage.commit.store import event_row
from strikewatch.storage.engines.shared import Place
from strikewatch.storage.schema.bout_tables import bouts
from strikewatch.storage.schema.tables import hammer_state

DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class Day:
    """The bouts of one day (UTC). Levels are in bar, None where no bout showed one."""

    start: Instant
    bouts: int
    firing_s: float
    judged_share: float
    blank_s: float
    level_bar: float | None
    pulse_spread_bar: float | None


def states(place: Place, site: str | None, hammer: str | None) -> list[tuple[Key, str, bytes]]:
    """(hammer, layout, saved state) of all that fit, by name."""
    c = hammer_state.c
    wanted = select(c.site, c.hammer, c.layout, c.state).order_by(c.site, c.hammer)
    for column, value in ((c.site, site), (c.hammer, hammer)):
        if value is not None:
            wanted = wanted.where(column == value)
    with place.read() as connection:
        return [((row[0], row[1]), row[2], bytes(row[3])) for row in connection.execute(wanted)]


def days(place: Place, key: Key, since: Instant) -> list[Day]:
    """Day by day what a hammer's bouts showed, from the day of `since` on."""
    c = bouts.c
    day = (c.start_ns - c.start_ns % DAY).label("day")
    firing = func.sum(c.end_ns - c.start_ns)
    wanted = (
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
    with place.read() as connection:
        return [_day(*row) for row in connection.execute(wanted)]


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


def relearn(place: Place, site: str | None, hammer: str, *, by: str, reason: str, now: Instant) -> Key:
    """Have a hammer's level learned anew from now on: an event like any other, which the processor takes up within a
    second. Raises Refused for a hammer that is not known, or that two sites have."""
    found = [key for key, _, _ in states(place, site, hammer)]
    if not found:
        raise Refused(f"nothing is known of a hammer {hammer!r}: `strikewatch baseline` lists those that are")
    if len(found) > 1:
        sites = ", ".join(key[0] for key in found)
        raise Refused(f"several sites have a hammer {hammer!r} ({sites}): name one with --site")
    (key,) = found
    event = Event(*key, "relearn", now, {"by": by, "note": reason})
    with place.write() as connection:
        statements.EVENT.run(connection, [event_row(event, now, by)])
    return key
