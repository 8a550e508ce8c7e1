"""Slow twins of the maintenance faults: hour meter, inspection and service, walkaround inspection, long storage.

Events take effect at their `effective` instant. On a feed without engine speed the part of an interval before an event
in it is not counted yet, so a timer that the event resets runs on without that part."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from strikewatch.core.alert import Priority
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    events_by_time,
    firing_spans,
    instant_of_length,
    length_within,
    operator_at,
    samples,
    working_spans,
)

STAGES: Sequence[tuple[str, Priority]] = (("soon", "low"), ("due", "low"), ("overdue", "medium"))
FAULTS: Sequence[str] = (
    *(f"{item}_{stage}" for item in ("inspection", "service") for stage, _ in STAGES),
    "hour_meter",
    "check_missed",
    "storage_due",
    "storage_use",
)


class Limits(NamedTuple):
    """When an item is due soon, due and overdue, ns: by operating time or by calendar time, whichever comes first."""

    operating: Sequence[int]
    passed: Sequence[int]


class Change(NamedTuple):
    """An `hours` event, whether the meter follows it, and the `difference` that it adds to the timers, if any."""

    event: Event
    difference: int | None
    accepted: bool


@dataclass
class Clock:
    """The operating time that the timers count."""

    rows: Sequence[Row]
    works: Sequence[Span]
    has_engine: bool

    def without(self, cuts: Sequence[int]) -> list[Span]:
        """Return when the carrier works, without the part of an interval between rows that lies before an event."""
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


def meter_changes(clock: Clock, events: Sequence[Event]) -> list[Change]:
    """Return what each `hours` event changes.

    The meter reads 0 when the hammer is first seen. The first accepted reading leaves the timers. A reading that was
    entered late may lack what was worked since it was read.
    """
    changes: list[Change] = []
    cuts: list[int] = []
    meter, since, known = 0, -1, False
    for event in events_by_time(events, "hours"):
        at = event.effective
        reading = round(Fraction(repr(float(event.fields["meter_h"]))) * 3600 * SECOND)
        reason = event.fields.get("reason", "reading")
        expected = meter + length_within(clock.without([*cuts, at]), since, at)
        if reason == "reading" and reading < expected <= reading + (at - event.time):
            reading = expected
        accepted = reason != "reading" or reading >= expected
        adjusts = accepted and known and reason in ("reading", "corrected")
        changes.append(Change(event, reading - expected if adjusts else None, accepted))
        if accepted:
            meter, since, known = reading, at, True
            cuts.append(at)
    return changes


def meter_faults(changes: Sequence[Change], events: Sequence[Event], end: int) -> list[Record]:
    """Find hour_meter: a reading below the meter, until the next accepted entry."""
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
    """Find the stages soon, due and overdue of an item, which events of its name complete."""
    differences = {id(c.event): c.difference for c in changes if c.difference is not None}
    setting = [e for e in events_by_time(events, item, "hours") if e.kind == item or id(e) in differences]
    works = clock.without([event.effective for event in setting])
    if not clock.rows and not setting:
        return []
    first_seen = clock.rows[0].time_ns if clock.rows else setting[0].effective
    records: list[Record] = []
    stage, onset = -1, 0

    def set_stage(new: int, at: int) -> None:
        """End the current stage and begin another."""
        nonlocal stage, onset
        if stage >= 0:
            name, priority = STAGES[stage]
            records.append(Record(f"{item}_{name}", onset, at, priority, operator_at(events, onset)))
        stage, onset = new, at

    so_far, since, last = 0, min([first_seen, *(event.effective for event in setting[:1])]), first_seen
    never_done = True
    for event, following in zip([None, *setting], [*setting, None], strict=True):
        if event is not None:
            so_far += length_within(works, since, event.effective)
            since = event.effective
            if event.kind == item:
                so_far = min(so_far, event.effective - event.time)
                last = event.time if never_done else max(last, event.time)
                never_done = False
                set_stage(-1, since)
            else:
                so_far = max(0, so_far + differences[id(event)])
        upto = end if following is None else min(end, following.effective)
        instants = []
        for operating, passed in zip(limits.operating, limits.passed, strict=True):
            by_hours = since if so_far >= operating else instant_of_length(works, since, operating - so_far)
            instants.append(min(at for at in (by_hours, max(since, last + passed)) if at is not None))
        now = max((k for k, at in enumerate(instants) if at <= since), default=-1)
        if now != stage and since <= end:
            set_stage(now, since)
        for at in sorted({at for at in instants if since < at <= upto}):
            set_stage(max(k for k, reached in enumerate(instants) if reached == at), at)
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
    rows = accepted(rows)
    works = working_spans(rows, working_rpm=working_rpm, row_gap_s=row_gap_s)
    clock = Clock(rows, works, bool(samples(rows, "engine_rpm")))
    changes = meter_changes(clock, events)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    records = meter_faults(changes, events, end)
    for item, hours, days in (
        ("inspection", inspection_h, inspection_days),
        ("service", service_h, service_days),
    ):
        limits = Limits([seconds(h * 3600) for h in hours], [seconds(d * 86_400) for d in days])
        records += due(item, limits, clock, changes, events, end)
    records += check_missed(
        rows, bouts, events, end, break_ns=seconds(break_h * 3600), ahead_ns=seconds(check_ahead_s)
    )
    records += storage(rows, bouts, events, end, idle_ns=seconds(storage_days * 86_400))
    return sorted(records, key=lambda record: (record.onset, record.fault))


FOREVER = 2**62


def shifts(rows: Sequence[Row], events: Sequence[Event], break_ns: int) -> list[int]:
    """Return when shifts begin. Of an event and a row at one instant the event comes first."""
    steps = [(event.effective, 0, event.fields["operator"]) for event in events_by_time(events, "sign_on")]
    steps += [(row.time_ns, 1, operator_at(events, row.time_ns)) for row in rows]
    begins: list[int] = []
    last_on = last_row = None
    for at, is_row, operator in sorted(steps, key=lambda step: step[:2]):
        after_break = last_row is not None and at - last_row >= break_ns
        if is_row:
            begin = operator is None and (after_break or last_row is None)
            last_row = at
        else:
            begin = operator != last_on or after_break
            last_on = operator
        if begin and at not in begins:
            begins.append(at)
    return begins


def check_missed(
    rows: Sequence[Row],
    bouts: Sequence[Span],
    events: Sequence[Event],
    end: int,
    *,
    break_ns: int,
    ahead_ns: int,
) -> list[Record]:
    """Find check_missed: the first firing of a shift without an inspection, until one or the next shift."""
    checks = [event.effective for event in events_by_time(events, "check")]
    if not checks:
        return []
    records = []
    for begin, following in pairwise([*shifts(rows, events, break_ns), FOREVER]):
        onset = min((max(a, begin) for a, b in bouts if b > begin), default=FOREVER)
        if onset >= following or onset > end or any(begin - ahead_ns <= at <= onset for at in checks):
            continue
        cleared = min([following, *(at for at in checks if at > onset)])
        ended = None if cleared == FOREVER else cleared
        records.append(Record("check_missed", onset, ended, "low", operator_at(events, onset)))
    return records


def storage(
    rows: Sequence[Row], bouts: Sequence[Span], events: Sequence[Event], end: int, *, idle_ns: int
) -> list[Record]:
    """Find storage_due (long without firing, not put in storage) and storage_use (fired from storage unprepared)."""
    if not rows:
        return []
    entries = events_by_time(events, "storage", "check")
    put_in = [event.effective for event in entries if event.fields.get("state") == "in"]
    records = []
    ends = [rows[0].time_ns, *(b for _, b in bouts)]
    starts = [*(a for a, _ in bouts), FOREVER]
    for k, (idle, fired) in enumerate(zip(ends, starts, strict=True)):
        onset = idle + idle_ns
        # Before the first firing, every entry counts.
        since = idle if k else -FOREVER
        if onset > min(end, fired) or any(since <= at < onset for at in put_in):
            continue
        cleared = min([fired, *(at for at in put_in if at >= onset)])
        ended = None if cleared == FOREVER else cleared
        records.append(Record("storage_due", onset, ended, "low", operator_at(events, onset)))
    return records + _storage_use(ends, bouts, entries, events, end, idle_ns)


def _storage_use(
    ends: Sequence[int],
    bouts: Sequence[Span],
    entries: Sequence[Event],
    events: Sequence[Event],
    end: int,
    idle_ns: int,
) -> list[Record]:
    records = []
    stored = False
    onset: int | None = None
    readied = -FOREVER
    instants = sorted({a for a, _ in bouts} | {event.effective for event in entries})
    for at in instants:
        for event in entries:
            if event.effective != at:
                continue
            if event.fields.get("state") == "in":
                stored = True
                continue
            readied = at
            stored = stored and event.kind == "check"
            if onset is not None:
                records.append(Record("storage_use", onset, at, "medium", operator_at(events, onset)))
                onset = None
        if at > end or not any(a <= at < b for a, b in bouts):
            continue
        begun = [k for k, (a, _) in enumerate(bouts) if a == at]
        long_idle = any(at - ends[k] >= idle_ns and readied < ends[k] for k in begun)
        if (stored or long_idle) and onset is None:
            onset = at
        stored = False
    if onset is not None:
        records.append(Record("storage_use", onset, None, "medium", operator_at(events, onset)))
    return records
