"""Coaching entries: when an operator was coached on which fault.

They are events of the kind `coached`. An event belongs to a hammer: that of the operator's last work before the talk.
The review goes by site and operator only.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import func, select

from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.actions.entries import Entry, add_entry
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import events, exposure

_MILLISECOND: Final = SECOND // 1000


@dataclass(frozen=True, slots=True)
class CoachingEntry:
    """One valid coaching entry. `who`: who logged it; None for an event of a gateway."""

    number: int
    event: Event
    who: str | None


def log_coaching(
    database: DatabaseAccess,
    operator: str,
    faults: Iterable[str],
    *,
    site: str | None,
    at: Instant,
    who: str,
    now: Instant,
    note: str = "",
) -> list[Entry]:
    """Log that an operator was coached on some faults; logging the same again changes nothing.

    Raises Unknown if no work of the operator before `at` is on record, Refused if it was at several sites.
    """
    key = _last_hammer(database, operator, site, at)
    extra: dict[str, Any] = {"note": note} if note else {}
    return [
        add_entry(
            database,
            # a correction names an entry by kind and time, so those of one talk differ in time
            Event(*key, "coached", at + k * _MILLISECOND, {"operator": operator, "fault": fault, **extra}),
            who=who,
            now=now,
        )
        for k, fault in enumerate(dict.fromkeys(faults))
    ]


def list_coaching(
    database: DatabaseAccess, site: str | None = None, operator: str | None = None
) -> list[CoachingEntry]:
    """Return all valid coaching entries, the newest first."""
    c, later = events.c, events.alias()
    query = (
        select(c.seq, c.site, c.hammer, c.kind, c.time_ns, c.fields, c.who)
        .where(c.kind == "coached", ~select(later.c.seq).where(later.c.corrects == c.seq).exists())
        .order_by(c.time_ns.desc(), c.seq.desc())
    )
    with database.read() as connection:
        rows = connection.execute(query if site is None else query.where(c.site == site)).all()
    entries = [
        CoachingEntry(number, Event(at_site, hammer, kind, time, json.loads(fields)), who)
        for number, at_site, hammer, kind, time, fields, who in rows
    ]
    return [entry for entry in entries if operator in (None, entry.event.fields["operator"])]


def withdraw_coaching(database: DatabaseAccess, number: int, *, who: str, now: Instant) -> CoachingEntry:
    """Withdraw a coaching entry and return it. Raises Unknown if there is no valid one of that number."""
    entry = next((entry for entry in list_coaching(database) if entry.number == number), None)
    if entry is None:
        raise Unknown(f"no coaching entry has the number {number}: `strikewatch coaching` lists them")
    withdrawal = Event(entry.event.site, entry.event.hammer, "withdrawal", now)
    add_entry(database, withdrawal, who=who, now=now, corrects=number)
    return entry


def _last_hammer(database: DatabaseAccess, operator: str, site: str | None, at: Instant) -> Key:
    c = exposure.c
    query = (
        select(c.site, c.hammer)
        .where(c.operator == operator, c.start_ns <= at)
        .order_by(c.start_ns.desc(), c.site, c.hammer)
    )
    sites = select(c.site).where(c.operator == operator, c.start_ns <= at).distinct()
    with database.read() as connection:
        worked_at = sorted(connection.scalars(sites))
        if site is None and len(worked_at) > 1:
            raise Refused(f"{operator} worked at {', '.join(worked_at)}: choose one with --site")
        found = connection.execute(query if site is None else query.where(c.site == site)).first()
        if found is None:
            known = connection.scalars(
                select(c.operator)
                .where(c.operator.is_not(None))
                .group_by(c.operator)
                .order_by(func.max(-c.start_ns))
            ).all()
    if found is None:
        place = "" if site is None else f" at {site}"
        listed = ", ".join(sorted(map(str, known[:50]))) or "none yet"
        raise Unknown(
            f"no work of {operator}{place} before that time is on record; known operators: {listed}"
        )
    return found.site, found.hammer
