"""Entries: events that people write down at the page, each with who and when. One that was wrong is corrected by
another; both stay on record.

An entry is an event like those of gateways, checked like them, and taken up by the processor within a second. What it
corrects is not undone in the detectors, whose findings were true of what was known: the correction counts from its own
time on.
"""

import json
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select

from strikewatch.errors import Refused, Unknown
from strikewatch.model import instant
from strikewatch.model.batch import Key
from strikewatch.model.events import Event
from strikewatch.model.instant import Instant
from strikewatch.store import statements
from strikewatch.store.beside import Place
from strikewatch.store.store import event_row
from strikewatch.store.tables import events

_E: Final = events.c


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
    """Put an entry on record; the very same again changes nothing.

    Raises Unknown where what it corrects is not of its hammer, Refused where that is corrected already.
    """
    row = event_row(event, now, who, corrects)
    with place.write() as connection:
        if corrects is not None:
            wanted = select(_E.site, _E.hammer).where(_E.seq == corrects)
            if connection.execute(wanted).first() != (event.site, event.hammer):
                raise Unknown(f"{event.hammer} has no entry {corrects}; see its list of entries")
            other = connection.scalar(select(_E.fields).where(_E.corrects == corrects))
            if other is not None and other != row["fields"]:
                raise Refused(f"entry {corrects} has been corrected already; correct the newer one")
        statements.EVENT.run(connection, [row])
    (entry,) = entries(place, (event.site, event.hammer), 1, same=row)
    return entry


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
