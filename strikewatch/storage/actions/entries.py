"""Entries: events that people log on the page, each with who and when.

An entry is an event like those of gateways: it is checked in the same way, and the processor applies it within a
second. A wrong entry is withdrawn or replaced; both stay on record. The correction is an event itself and names the
entry that it corrects, so that detectors reset their timers, both live and in a replay.
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
from strikewatch.storage.commit.prepared import PreparedQuery
from strikewatch.storage.commit.statements import corrected_entry_number, event_row
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import events

_E: Final = events.c
_UPKEEP: Final = ("inspection", "service", "hours")
_CORRECTABLE: Final = {
    "grease": (("grease",), KEPT),
    "check": (("check",), KEPT),
    "storage": (("storage", "check"), KEPT // 2),  # each is kept with the first firing after it
    **dict.fromkeys(_UPKEEP, (_UPKEEP, KEPT)),
}
"""By kind of event: the kinds that share its timer, and how many of their last entries can be corrected."""


_IDENTITY: Final = ("site", "hammer", "kind", "time_ns", "fields")
_SAME: Final = select(func.count()).where(*(_E[name] == bindparam(name) for name in _IDENTITY))
_NEW: Final = PreparedQuery(
    select(_E.seq, _E.site, _E.hammer, _E.kind, _E.time_ns, _E.fields)
    .where(_E.seq > bindparam("after"), _E.who.is_not(None), _E.applied_ns.is_(None))
    .order_by(_E.seq)
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One event on record. `who`: None for an event of a gateway. `corrects`, `corrected_by`: numbers of entries."""

    number: int
    event: Event
    who: str | None
    received: Instant
    corrects: int | None
    corrected_by: int | None

    def json(self) -> dict[str, Any]:
        """Return the JSON object that the API gives out; times in RFC 3339."""
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


def add_entry(
    database: DatabaseAccess, event: Event, *, who: str, now: Instant, corrects: int | None = None
) -> Entry:
    """Store an entry; storing an identical one again changes nothing. `corrects`: the number of the wrong entry.

    Raises Unknown if the wrong entry is not one of the hammer's, Refused if it cannot be corrected any more.
    """
    with database.write() as connection:
        if corrects is not None:
            event = _correction(connection, event, corrects)
        row = event_row(event, now, who, corrects)
        same = None
        if corrects is not None:
            earlier = connection.execute(
                select(_E.kind, _E.time_ns, _E.fields).where(_E.corrects == corrects)
            ).first()
            if earlier is not None:
                repeated = earlier.fields == row["fields"] and earlier.kind == event.kind
                if not repeated or (earlier.time_ns != event.time and event.kind != "withdrawal"):
                    raise Refused(f"entry {corrects} has been corrected already; correct the newer one")
                same = {**row, "time_ns": earlier.time_ns}
            elif corrected_entry_number(connection, event) != corrects:
                raise Refused(
                    f"an older entry has the same kind and time as entry {corrects}; correct that one first"
                )
            else:
                _check_correctable(connection, corrects, event)
                while connection.scalar(_SAME, {name: row[name] for name in _IDENTITY}):
                    # two entries of the same kind and time with the same correction: keep the corrections apart
                    event = replace(event, time=event.time + 1)
                    row = event_row(event, now, who, corrects)
        if same is None:
            statements.EVENT.run(connection, [row])
    (entry,) = list_entries(database, (event.site, event.hammer), 1, same=same or row)
    return entry


def _correction(connection: Connection, event: Event, corrects: int) -> Event:
    """Return the event with the field that names the entry it corrects."""
    wrong = connection.execute(
        select(_E.site, _E.hammer, _E.kind, _E.time_ns, _E.applied_ns).where(_E.seq == corrects)
    ).first()
    if wrong is None or (wrong.site, wrong.hammer) != (event.site, event.hammer):
        raise Unknown(f"{event.hammer} has no entry {corrects}; see its list of entries")
    if wrong.kind == "withdrawal":
        raise Refused(f"entry {corrects} is a withdrawal; log the withdrawn entry again instead")
    name = reference_to(Event(wrong.site, wrong.hammer, wrong.kind, wrong.time_ns))
    return replace(event, fields=event.fields | {"corrects": name})


def _check_correctable(connection: Connection, corrects: int, event: Event) -> None:
    """Raise Refused for an entry that is too old: detectors keep only their last entries."""
    wrong = event.corrects
    assert wrong is not None
    first = corrects
    while True:
        # a replacement takes the place of the first wrong entry
        earlier = connection.scalar(select(_E.corrects).where(_E.seq == first))
        if earlier is None:
            break
        first = earlier
    effective = func.coalesce(_E.applied_ns, _E.time_ns)
    at = connection.scalar(select(effective).where(_E.seq == first))
    kinds, most = _CORRECTABLE.get(wrong[0], ((), 0))
    later = select(func.count()).where(
        _E.site == event.site, _E.hammer == event.hammer, _E.kind.in_(kinds), effective > at
    )
    if most and (connection.scalar(later) or 0) >= most:
        meter = "log the present meter reading, with the reason corrected"
        remedy = meter if wrong[0] == "hours" else "log what was done last"
        raise Refused(
            f"entry {corrects} is too old to be corrected: only the last {most} entries can be; {remedy}"
        )


def list_entries(
    database: DatabaseAccess, key: Key, limit: int, same: dict[str, Any] | None = None
) -> list[Entry]:
    """Return a hammer's newest events, logged or sent; or the one that equals the row `same`."""
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
    with database.read() as connection:
        rows = connection.execute(wanted).all()
    return [
        Entry(seq, Event(*key, kind, at, json.loads(fields), -1 if applied is None else applied), *more)
        for seq, kind, at, fields, applied, *more in rows
    ]


class ManualEvents:
    """The events logged since the last fetch, or since this object was created."""

    def __init__(self, store: Store) -> None:
        self._store = store
        with store.read() as connection:
            self._last_seq = connection.scalar(select(func.max(events.c.seq))) or 0

    def fetch_new(self) -> list[Event]:
        """Return the new events, oldest first. Raises StoreError."""
        with self._store.read() as connection:
            rows = _NEW.fetch(connection, after=self._last_seq)
        if rows:
            self._last_seq = rows[-1][0]
        return [
            Event(site, hammer, kind, at, json.loads(fields)) for _, site, hammer, kind, at, fields in rows
        ]
