"""Entries: events that people write down at the page, each with who and when. One that was wrong is withdrawn, or
replaced by another; both stay on record.

An entry is an event like those of gateways, checked like them, and taken up by the processor within a second. A
correction is an event too, and names what it corrects, so that the detectors set their clocks anew, live and replayed.
"""

import json
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import Connection, bindparam, func, select

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import Event, reference_to
from strikewatch.core.instant import Instant
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.commit import statements
from strikewatch.storage.commit.store import event_row, number_of_wrong
from strikewatch.storage.engines.shared import Place
from strikewatch.storage.schema.tables import events

_E: Final = events.c
_UPKEEP: Final = ("inspection", "service", "hours")
_KEPT_WITH: Final = {
    "grease": (("grease",), KEPT),
    "check": (("check",), KEPT),
    "storage": (("storage", "check"), KEPT // 2),  # each with the first firing after it
    **dict.fromkeys(_UPKEEP, (_UPKEEP, KEPT)),
}
"""With which kinds the clock of a kind keeps entries, and how many of the last can be corrected."""


_IDENTITY: Final = ("site", "hammer", "kind", "time_ns", "fields")
_SAME: Final = select(func.count()).where(*(_E[name] == bindparam(name) for name in _IDENTITY))


@dataclass(frozen=True, slots=True)
class Entry:
    """One event on record. `who` None: it came as a message. `corrects`, `corrected_by`: numbers of others."""

    number: int
    event: Event
    who: str | None
    received: Instant
    corrects: int | None
    corrected_by: int | None

    def json(self) -> dict[str, Any]:
        """One object, times as RFC 3339."""
        event = self.event
        return {
            "number": self.number,
            "site": event.site,
            "hammer": event.hammer,
            "event": event.kind,
            "time": instant.text(event.time),
            "applied": None if event.applied < 0 else instant.text(event.applied),
            "fields": event.fields,
            "who": self.who,
            "received": instant.text(self.received),
            "corrects": self.corrects,
            "corrected_by": self.corrected_by,
        }


def enter(place: Place, event: Event, *, who: str, now: Instant, corrects: int | None = None) -> Entry:
    """Put an entry on record; the very same again changes nothing. `corrects`: the number of the entry that was wrong.

    Raises Unknown where what it corrects is not of its hammer, Refused where that cannot be corrected any more.
    """
    with place.write() as connection:
        if corrects is not None:
            event = _correction(connection, event, corrects)
        row = event_row(event, now, who, corrects)
        same = None
        if corrects is not None:
            made = connection.execute(
                select(_E.kind, _E.time_ns, _E.fields).where(_E.corrects == corrects)
            ).first()
            if made is not None:
                again = made.fields == row["fields"] and made.kind == event.kind
                if not again or (made.time_ns != event.time and event.kind != "withdrawal"):
                    raise Refused(f"entry {corrects} has been corrected already; correct the newer one")
                same = {**row, "time_ns": made.time_ns}
            elif number_of_wrong(connection, event) != corrects:
                raise Refused(
                    f"entry {corrects} has an older one of the same time beside it; correct that first"
                )
            else:
                _refuse_old(connection, corrects, event)
                while connection.scalar(_SAME, {name: row[name] for name in _IDENTITY}):
                    # two entries of one kind and time, corrected alike: each correction is one of its own
                    event = replace(event, time=event.time + 1)
                    row = event_row(event, now, who, corrects)
        if same is None:
            statements.EVENT.run(connection, [row])
    (entry,) = entries(place, (event.site, event.hammer), 1, same=same or row)
    return entry


def _correction(connection: Connection, event: Event, corrects: int) -> Event:
    """The event, naming what it corrects."""
    wrong = connection.execute(
        select(_E.site, _E.hammer, _E.kind, _E.time_ns, _E.applied_ns).where(_E.seq == corrects)
    ).first()
    if wrong is None or (wrong.site, wrong.hammer) != (event.site, event.hammer):
        raise Unknown(f"{event.hammer} has no entry {corrects}; see its list of entries")
    if wrong.kind == "withdrawal":
        raise Refused(f"entry {corrects} is a withdrawal; enter again what was withdrawn")
    name = reference_to(Event(wrong.site, wrong.hammer, wrong.kind, wrong.time_ns))
    return replace(event, fields=event.fields | {"corrects": name})


def _refuse_old(connection: Connection, corrects: int, event: Event) -> None:
    """Refuse what no longer sets a clock anew: the detectors keep their last entries only."""
    wrong = event.corrects
    assert wrong is not None
    first = corrects
    while True:
        # a replacement stands where the first wrong entry stood
        earlier = connection.scalar(select(_E.corrects).where(_E.seq == first))
        if earlier is None:
            break
        first = earlier
    effective = func.coalesce(_E.applied_ns, _E.time_ns)
    at = connection.scalar(select(effective).where(_E.seq == first))
    kinds, most = _KEPT_WITH.get(wrong[0], ((), 0))
    later = select(func.count()).where(
        _E.site == event.site, _E.hammer == event.hammer, _E.kind.in_(kinds), effective > at
    )
    if most and (connection.scalar(later) or 0) >= most:
        meter = "enter what the meter reads now, with the reason corrected"
        remedy = meter if wrong[0] == "hours" else "enter what was done last"
        raise Refused(
            f"entry {corrects} is too old to be corrected: its clock keeps the last {most}; {remedy}"
        )


def entries(place: Place, key: Key, limit: int, same: dict[str, Any] | None = None) -> list[Entry]:
    """The newest events of a hammer, entered or sent; or the one that is the `same` as a row."""
    later = events.alias()
    wanted = (
        select(
            _E.seq,
            _E.kind,
            _E.time_ns,
            _E.fields,
            _E.applied_ns,
            _E.who,
            _E.received_ns,
            _E.corrects,
            select(later.c.seq).where(later.c.corrects == _E.seq).limit(1).scalar_subquery(),
        )
        .where(_E.site == key[0], _E.hammer == key[1])
        .order_by(_E.time_ns.desc(), _E.seq.desc())
        .limit(limit)
    )
    if same is not None:
        wanted = wanted.where(*(_E[name] == same[name] for name in ("kind", "time_ns", "fields")))
    with place.read() as connection:
        rows = connection.execute(wanted).all()
    return [
        Entry(seq, Event(*key, kind, at, json.loads(fields), -1 if applied is None else applied), *more)
        for seq, kind, at, fields, applied, *more in rows
    ]
