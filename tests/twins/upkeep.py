"""Upkeep, read slowly: the hour meter, and what falls due by operating hours or by days; `care` has the rest.

Events take effect at their `effective` instant. On a feed without engine speed an event within an interval between
two rows finds the part before it not counted yet: a clock that it sets goes on without that part.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins import care
from tests.twins.knowledge import Record, Row, Span, admitted, firing, length, reached, samples, working
from tests.twins.whose import in_order, operator_at

STAGES: Sequence[tuple[str, Priority]] = (("soon", "low"), ("due", "low"), ("overdue", "medium"))
FAULTS: Sequence[str] = (
    *(f"{item}_{stage}" for item in ("inspection", "service") for stage, _ in STAGES),
    "hour_meter",
    "check_missed",
    "storage_due",
    "storage_use",
)


class Limits(NamedTuple):
    """When an item is due soon, due, and overdue, ns: by operating time, or by time gone by, whichever is first."""

    operating: Sequence[int]
    passed: Sequence[int]


class Change(NamedTuple):
    """An entry of hours that changes clocks by `difference` (None: leaves them); what it may say of the meter."""

    event: Event
    difference: int | None
    accepted: bool


@dataclass
class Clock:
    """When the carrier worked, as one clock counts it that events set at these instants."""

    rows: Sequence[Row]
    works: Sequence[Span]
    has_engine: bool

    def without(self, cuts: Sequence[int]) -> list[Span]:
        spans = list(self.works)
        for cut in cuts if not self.has_engine else ():
            before = max((row.time_ns for row in self.rows if row.time_ns < cut), default=cut)
            at_row = any(row.time_ns == cut for row in self.rows)
            if not at_row:
                spans = [
                    piece
                    for a, b in spans
                    for piece in ((a, min(b, before)), (max(a, cut), b))
                    if piece[0] < piece[1]
                ]
        return spans


def entries(clock: Clock, events: Sequence[Event]) -> list[Change]:
    """What each `hours` event does. The meter reads 0 when the hammer is first seen; the first figure taken leaves the
    clocks; one told of late may lack what was worked since it was read."""
    changes: list[Change] = []
    cuts: list[int] = []
    meter, since, known = 0, -1, False
    for event in in_order(events, "hours"):
        at = event.effective
        told = round(Fraction(repr(float(event.fields["meter_h"]))) * 3600 * SECOND)
        reason = event.fields.get("reason", "reading")
        stood = meter + length(clock.without([*cuts, at]), since, at)
        if reason == "reading" and told < stood <= told + (at - event.time):
            told = stood
        accepted = reason != "reading" or told >= stood
        moves = accepted and known and reason in ("reading", "corrected")
        changes.append(Change(event, told - stood if moves else None, accepted))
        if accepted:
            meter, since, known = told, at, True
            cuts.append(at)
    return changes


def meter_faults(changes: Sequence[Change], events: Sequence[Event], end: int) -> list[Record]:
    """hour_meter: a reading below the meter, until the next entry that is taken."""
    records: list[Record] = []
    onset: int | None = None
    for change in changes:
        at = change.event.effective
        if change.accepted and onset is not None:
            records.append(Record("hour_meter", onset, at, "low", operator_at(events, onset)))
            onset = None
        elif not change.accepted and onset is None and at <= end:
            onset = at
    if onset is not None:
        records.append(Record("hour_meter", onset, None, "low", operator_at(events, onset)))
    return records


def due(
    item: str, limits: Limits, clock: Clock, changes: Sequence[Change], events: Sequence[Event], end: int
) -> list[Record]:
    """soon, due and overdue of an item that events of that name see to."""
    differences = {id(c.event): c.difference for c in changes if c.difference is not None}
    setting = [e for e in in_order(events, item, "hours") if e.kind == item or id(e) in differences]
    works = clock.without([event.effective for event in setting])
    if not clock.rows and not setting:
        return []
    seen = clock.rows[0].time_ns if clock.rows else setting[0].effective
    records: list[Record] = []
    stage, onset = -1, 0

    def turn(new: int, at: int) -> None:
        """The stage from here on; the one that stood is over."""
        nonlocal stage, onset
        if stage >= 0:
            name, priority = STAGES[stage]
            records.append(Record(f"{item}_{name}", onset, at, priority, operator_at(events, onset)))
        stage, onset = new, at

    sofar, since, last = 0, min([seen, *(event.effective for event in setting[:1])]), seen
    never_seen_to = True
    for event, following in zip([None, *setting], [*setting, None], strict=True):
        if event is not None:
            sofar += length(works, since, event.effective)
            since = event.effective
            if event.kind == item:
                sofar = min(sofar, event.effective - event.time)
                last = event.time if never_seen_to else max(last, event.time)
                never_seen_to = False
                turn(-1, since)
            else:
                sofar = max(0, sofar + differences[id(event)])
        upto = end if following is None else min(end, following.effective)
        instants = []
        for operating, passed in zip(limits.operating, limits.passed, strict=True):
            by_hours = since if sofar >= operating else reached(works, since, operating - sofar)
            instants.append(min(at for at in (by_hours, max(since, last + passed)) if at is not None))
        now = max((k for k, at in enumerate(instants) if at <= since), default=-1)
        if now != stage and since <= end:
            turn(now, since)
        for at in sorted({at for at in instants if since < at <= upto}):
            turn(max(k for k, one in enumerate(instants) if one == at), at)
    if stage >= 0:
        name, priority = STAGES[stage]
        records.append(Record(f"{item}_{name}", onset, None, priority, operator_at(events, onset)))
    return records


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
    inspection_h: Sequence[float] = (45.0, 50.0, 60.0),
    inspection_days: Sequence[float] = (6.0, 7.0, 8.0),
    service_h: Sequence[float] = (950.0, 1000.0, 1100.0),
    service_days: Sequence[float] = (335.0, 365.0, 395.0),
    break_h: float = 4.0,
    check_ahead_s: float = 3600.0,
    storage_days: float = 183.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = admitted(rows)
    works = working(rows, working_rpm=working_rpm, row_gap_s=row_gap_s)
    clock = Clock(rows, works, bool(samples(rows, "engine_rpm")))
    changes = entries(clock, events)
    bouts = firing(rows, on_bar=on_bar, off_bar=off_bar)
    records = meter_faults(changes, events, end)
    for item, hours, days in (
        ("inspection", inspection_h, inspection_days),
        ("service", service_h, service_days),
    ):
        limits = Limits([seconds(h * 3600) for h in hours], [seconds(d * 86_400) for d in days])
        records += due(item, limits, clock, changes, events, end)
    records += care.check_missed(
        rows, bouts, events, end, break_ns=seconds(break_h * 3600), ahead_ns=seconds(check_ahead_s)
    )
    records += care.storage(rows, bouts, events, end, idle_ns=seconds(storage_days * 86_400))
    return sorted(records, key=lambda record: (record.onset, record.fault))
