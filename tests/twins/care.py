"""The walk-round check of each shift, and long storage, read slowly."""

from collections.abc import Sequence
from itertools import pairwise

from strikewatch.core.events import Event
from tests.twins.knowledge import Record, Row, Span
from tests.twins.whose import in_order, operator_at

FOREVER = 2**62


def shifts(rows: Sequence[Row], events: Sequence[Event], break_ns: int) -> list[int]:
    """Where shifts begin. Of an event and a row at one instant the event comes first."""
    steps = [(event.effective, 0, event.fields["operator"]) for event in in_order(events, "sign_on")]
    steps += [(row.time_ns, 1, operator_at(events, row.time_ns)) for row in rows]
    begins: list[int] = []
    last_on = last_row = None
    for at, is_row, who in sorted(steps, key=lambda step: step[:2]):
        after_break = last_row is not None and at - last_row >= break_ns
        if is_row:
            begin = who is None and (after_break or last_row is None)
            last_row = at
        else:
            begin = who != last_on or after_break
            last_on = who
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
    """The first firing of a shift without its check, until a check or the next shift; none without any check ever."""
    checks = [event.effective for event in in_order(events, "check")]
    if not checks:
        return []
    records = []
    for begin, following in pairwise([*shifts(rows, events, break_ns), FOREVER]):
        onset = min((max(a, begin) for a, b in bouts if b > begin), default=FOREVER)
        if onset >= following or onset > end or any(begin - ahead_ns <= at <= onset for at in checks):
            continue
        cleared = min([following, *(at for at in checks if at > onset)])
        over = None if cleared == FOREVER else cleared
        records.append(Record("check_missed", onset, over, "low", operator_at(events, onset)))
    return records


def storage(
    rows: Sequence[Row], bouts: Sequence[Span], events: Sequence[Event], end: int, *, idle_ns: int
) -> list[Record]:
    """storage_due: long without firing and not put in storage. storage_use: fired out of it unprepared."""
    if not rows:
        return []
    told = in_order(events, "storage", "check")
    put_in = [event.effective for event in told if event.fields.get("state") == "in"]
    records = []
    ends = [rows[0].time_ns, *(b for _, b in bouts)]
    starts = [*(a for a, _ in bouts), FOREVER]
    for k, (idle, fired) in enumerate(zip(ends, starts, strict=True)):
        onset = idle + idle_ns
        # Before it ever fired, whatever was told of it counts.
        since = idle if k else -FOREVER
        if onset > min(end, fired) or any(since <= at < onset for at in put_in):
            continue
        cleared = min([fired, *(at for at in put_in if at >= onset)])
        over = None if cleared == FOREVER else cleared
        records.append(Record("storage_due", onset, over, "low", operator_at(events, onset)))
    return records + _used(ends, bouts, told, events, end, idle_ns)


def _used(
    ends: Sequence[int],
    bouts: Sequence[Span],
    told: Sequence[Event],
    events: Sequence[Event],
    end: int,
    idle_ns: int,
) -> list[Record]:
    records = []
    stored = False
    onset: int | None = None
    readied = -FOREVER
    instants = sorted({a for a, _ in bouts} | {event.effective for event in told})
    for at in instants:
        for event in told:
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
