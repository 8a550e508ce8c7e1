"""What people write down at the page: events of a hammer, each on record with who and when.

An entry must say what was done (`required`) and be plausible (`plausible`): what cannot be is refused, what is unusual
is asked about, and saved once it is sent again with `confirmed`.
"""

import json
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final, Literal

from pydantic import ConfigDict, Field

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import EntryKind, Event, reference_to
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.errors import Refused, Rejected, Unknown
from strikewatch.sources.decode.events import decode_event
from strikewatch.storage.actions.entries import Entry as Made
from strikewatch.storage.actions.entries import add_entry, list_entries
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import find_hammer
from strikewatch.web.api import schemas
from strikewatch.web.api.alert_routes import BASE, Operation
from strikewatch.web.api.plausibility import doubts, said
from strikewatch.web.api.problems import Problem
from strikewatch.web.api.required_fields import missing

Kind = Literal[EntryKind, "withdrawal"]
_OURS: Final = ("time", "corrects")
EARLIER: Final = 500
"""Entries of a hammer that a new one is held against."""


class Entries(schemas.OneHammer):
    limit: schemas.Limit = 50


class Entry(schemas.Asked):
    """An event as gateways send it, without its site and hammer. What else an event bears is checked as theirs is."""

    model_config = ConfigDict(extra="allow", frozen=True)

    event: Kind
    time: schemas.Time | None = Field(
        None, description="When it happened, RFC 3339 with an offset; left out: now"
    )
    corrects: schemas.Number | None = Field(
        None, description="The number of the entry that was wrong: this one replaces or withdraws it"
    )
    confirmed: bool | None = Field(
        None, description="An unusual value was asked about (`confirm` in the answer), and is right"
    )


Meter = Callable[[Key], tuple[float, Instant] | None]
"""What a hammer's hour meter stands at, h, and as of when (event time, ns)."""


class Entering:
    """`wall` tells ns; `ahead` is how far in the future a time may be (ns)."""

    def __init__(
        self,
        place: DatabaseAccess,
        ahead: Instant,
        settings_of: Callable[[Key], HammerSettings],
        meter: Meter = lambda _key: None,
        wall: Callable[[], Instant] = time.time_ns,
    ) -> None:
        self._place = place
        self._ahead = ahead
        self._settings_of = settings_of
        self._meter = meter
        self._wall = wall

    def operations(self) -> list[Operation]:
        path = f"{BASE}/hammers/{{hammer}}/events"
        return [
            Operation("GET", path, "view", Entries, None, self.events),
            Operation("POST", path, "act", schemas.OneHammer, Entry, self.enter),
        ]

    def events(self, q: Entries, _body: None, _by: str) -> Any:
        """The newest events of a hammer, entered or sent."""
        return {"events": [one.json() for one in list_entries(self._place, self._key(q), q.limit)]}

    def enter(self, q: schemas.OneHammer, body: Entry, by: str) -> Any:
        """Log an event; the same event again changes nothing."""
        now = self._wall()
        key = self._key(q)
        told = body.model_dump(exclude_unset=True, exclude=set(_OURS))
        told["time"] = body.time or instant.text(now // SECOND * SECOND)  # as a form shows it
        on_record = list_entries(self._place, key, EARLIER)
        if body.corrects is not None:
            told["corrects"] = _name(on_record, body.corrects, key)
        try:
            event, unknown = decode_event(json.dumps(told).encode(), *key, now + self._ahead)
        except Rejected as error:
            field, _, what = error.detail.partition(": ")
            if error.reason == "clock_ahead":
                what = "is in the future; enter when it was done"
            raise Problem(
                422, f"{field}: {what}", "mend it and send it again", fields={field: what or field}
            ) from None
        if unknown:
            raise Problem(
                422,
                f"{event.kind} has no {', '.join(unknown)}",
                "leave it out",
                fields=dict.fromkeys(unknown, "is not known here"),
            )
        if body.corrects is None and (same := self._again(on_record, event)):
            return same.json()
        self._check(event, on_record, body, now)
        return add_entry(self._place, event, who=by, now=now, corrects=body.corrects).json()

    @staticmethod
    def _again(on_record: list[Made], event: Event) -> Made | None:
        """The entry on record that is this very one: sent again by a device that heard no answer."""
        return next(
            (
                one
                for one in on_record
                if one.who is not None and one.event == replace(event, applied=one.event.applied)
            ),
            None,
        )

    def _check(self, event: Event, on_record: list[Made], body: Entry, now: Instant) -> None:
        """Raises Problem for what is missing, cannot be, or is unusual and not confirmed."""
        lacks = missing(event)
        if lacks:
            raise Problem(422, said(lacks), "nothing was saved", fields=lacks)
        earlier = [
            one.event
            for one in on_record
            if one.corrected_by is None and one.number != body.corrects and one.event.kind != "withdrawal"
        ]
        if event.kind == "hours" and body.corrects is None:
            self._fits(event)
        found = doubts(event, earlier, self._settings_of((event.site, event.hammer)), now)
        if found.refused:
            raise Problem(422, said(found.refused), "nothing was saved", fields=found.refused)
        if found.questions and not body.confirmed:
            remedy = "change it, or send it again with confirmed set to true"
            raise Problem(422, said(found.questions), remedy, fields=found.questions, confirm=True)

    def _fits(self, event: Event) -> None:
        """Raises Problem for a bare reading that is less than the meter can have stood at."""
        stands = self._meter((event.site, event.hammer))
        if stands is None or event.fields.get("reason", "reading") != "reading":
            return
        least_h = stands[0] - max(0, stands[1] - event.time) / (3600 * SECOND)
        if event.fields["meter_h"] < least_h:
            what = f"is below the {least_h:,.1f} h that the meter stood at"
            remedy = "look again; if it is right, give the reason: moved, replaced or corrected"
            raise Problem(422, f"meter_h: {what}", remedy, fields={"meter_h": f"{what}; {remedy}"})

    def _key(self, q: schemas.OneHammer) -> Key:
        with self._place.read() as connection:
            return find_hammer(connection, q.hammer, q.site)


def _name(on_record: list[Made], number: int, key: Key) -> dict[str, str]:
    """How an event names the entry of this number. Raises Unknown, Refused."""
    wrong = next((one.event for one in on_record if one.number == number), None)
    if wrong is None:
        raise Unknown(f"{key[1]} has no entry {number} among its last {EARLIER}; see its list of entries")
    if wrong.kind == "withdrawal":
        raise Refused(f"entry {number} is a withdrawal; enter again what was withdrawn")
    return reference_to(wrong)
