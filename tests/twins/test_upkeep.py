"""The twins of upkeep against answers worked out by hand from their definitions, with seconds in place of hours."""

from dataclasses import replace
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins import upkeep
from tests.twins.hand import brief, event, fired, row
from tests.twins.knowledge import Row

S, DAY = 1 / 3600, 1 / 86_400
SOON: dict[str, Any] = {
    "inspection_h": (45 * S, 50 * S, 60 * S),
    "inspection_days": (600 * DAY, 700 * DAY, 800 * DAY),
    "service_h": (1e3, 1e3, 1e3),
}


def found(rows: list[Row], end_s: float, *events: Event, only: str = "", **settings: Any) -> list[Any]:
    records = upkeep.find(rows, events, seconds(end_s), **{**SOON, **settings})
    return [one for one in brief(records) if one[0].startswith(only)]


def inspections(rows: list[Row], end_s: float, *events: Event, **settings: Any) -> list[Any]:
    return [
        (fault.removeprefix("inspection_"), *rest)
        for fault, *rest in found(rows, end_s, *events, only="inspection", **settings)
    ]


def test_each_stage_takes_over_from_the_one_before() -> None:
    # Rows 9 s apart to 54 s, then 20 s that do not count, then on from 74 s: 50 s at 50 s, 60 s at 80 s.
    rows = [row(t) for t in (*range(0, 55, 9), *range(74, 120, 9))]
    assert inspections(rows, 119) == [
        ("soon", 45.0, 50.0, "low"),
        ("due", 50.0, 80.0, "low"),
        ("overdue", 80.0, None, "medium"),
    ]
    assert inspections(rows, 119, event(85, "inspection"))[2] == ("overdue", 80.0, 85.0, "medium")
    assert inspections(rows, 79) == [("soon", 45.0, 50.0, "low"), ("due", 50.0, None, "low")]


def test_days_count_without_any_work_and_whichever_comes_first() -> None:
    # Seen first at 5 s: 600 s later at 605 s; inspected at 650 s, told of at 1,300 s only: 650 s ago by then.
    late = Event("fennick-hollow", "HB-01", "inspection", 650 * SECOND, {}, 1300 * SECOND)
    assert inspections([row(5), row(2000)], 2000, late) == [
        ("soon", 605.0, 705.0, "low"),
        ("due", 705.0, 805.0, "low"),
        ("overdue", 805.0, 1300.0, "medium"),
        ("soon", 1300.0, 1350.0, "low"),
        ("due", 1350.0, 1450.0, "low"),
        ("overdue", 1450.0, None, "medium"),
    ]


def test_what_was_worked_since_an_event_told_late_is_at_most_its_age() -> None:
    # AttributedBout [0, 30); inspected at 20 s, told at 30 s: 10 s may count since. 45 s at 65 s.
    rows = [row(5 * t) for t in range(20)]
    late = Event("fennick-hollow", "HB-01", "inspection", 20 * SECOND, {}, 30 * SECOND)
    assert inspections(rows, 66, late) == [("soon", 65.0, None, "low")]
    assert inspections(rows, 66, event(20, "inspection")) == [("soon", 65.0, None, "low")]
    # An older one, told later still, changes nothing of that.
    older = Event("fennick-hollow", "HB-01", "inspection", 3 * SECOND, {}, 40 * SECOND)
    assert inspections(rows, 66, event(20, "inspection"), older) == [("soon", 65.0, None, "low")]


KNOWN = event(0, "hours", meter_h=0.0)
"""The first figure ever; later ones go by it."""


def test_the_first_figure_of_the_meter_leaves_the_clocks() -> None:
    rows = [row(5 * t) for t in range(10)]
    assert inspections(rows, 44, event(20, "hours", meter_h=5000 * S)) == []


def test_a_reading_told_of_late_may_lack_what_was_worked_since() -> None:
    # Read at 20 s, told at 30 s: 25 s is what it may have been then, 19 s is not.
    rows = [row(5 * t) for t in range(10)]
    for told_s, faults in ((25, []), (19, [("hour_meter", 30.0, None, "low")])):
        fields = {"meter_h": told_s * S}
        late = Event("fennick-hollow", "HB-01", "hours", 20 * SECOND, fields, 30 * SECOND)
        assert found(rows, 44, KNOWN, late, only="hour") == faults


def test_an_event_between_rows_of_a_feed_without_engine_speed_drops_the_part_before_it() -> None:
    # Inspected at 42 s: zero there. A reading at 47 s of what the meter knows of (40 s) plus 3 s adds 3 s.
    rows = [row(10 * t) for t in range(20)]
    assert inspections(rows, 90, event(42, "inspection")) == [("soon", 87.0, None, "low")]
    # The clock at 47 s: 40 s + 3 s, and 45 s at 49 s.
    told = (KNOWN, event(47, "hours", meter_h=43 * S))
    assert inspections(rows, 49, *told) == [("soon", 49.0, None, "low")]
    # With an engine known to turn all is counted: the reading is below the meter, of 47 s.
    engine = [row(10 * t, engine_rpm=1500.0) for t in range(20)]
    assert inspections(engine, 49, *told) == [("soon", 45.0, None, "low")]
    assert found(engine, 49, *told, only="hour") == [("hour_meter", 47.0, None, "low")]


def test_the_meter_never_runs_backwards_silently() -> None:
    # At 20 s: 30 s are read, 10 s more. At 30 s: below 40 s, not taken. At 40 s (meter 50 s): replaced, reads 0.
    # At 45 s: reads 5 s, as it should. At 50 s (meter 10 s): corrected to 4 s, 6 s less for all clocks.
    rows = [row(5 * t) for t in range(20)]
    events = [
        KNOWN,
        event(20, "hours", meter_h=30 * S),
        event(30, "hours", meter_h=39 * S, reason="reading"),
        event(40, "hours", meter_h=0.0, reason="replaced"),
        event(45, "hours", meter_h=5 * S),
        event(50, "hours", meter_h=4 * S, reason="corrected"),
    ]
    assert found(rows, 95, *events, only="hour") == [("hour_meter", 30.0, 40.0, "low")]
    # Clock: 30 s at 20 s, 45 s at 35 s, 50 s at 40 s, 60 s at 50 s; put back to 54 s there: due, and 60 s at 56 s.
    assert inspections(rows, 95, *events) == [
        ("soon", 35.0, 40.0, "low"),
        ("due", 40.0, 50.0, "low"),
        ("due", 50.0, 56.0, "low"),
        ("overdue", 50.0, 50.0, "medium"),
        ("overdue", 56.0, None, "medium"),
    ]


def test_a_clock_is_not_corrected_below_zero() -> None:
    rows = [row(5 * t) for t in range(30)]
    back = event(10, "hours", meter_h=0.0, reason="corrected")
    seen = event(5, "inspection")
    # 5 s since the inspection, 10 s less: zero. 45 s at 55 s.
    assert inspections(rows, 59, KNOWN, seen, back) == [("soon", 55.0, None, "low")]


def test_a_jump_over_a_stage_leaves_it_out() -> None:
    rows = [row(5 * t) for t in range(10)]
    assert inspections(rows, 45, KNOWN, event(20, "hours", meter_h=55 * S)) == [
        ("due", 20.0, 25.0, "low"),
        ("overdue", 25.0, None, "medium"),
    ]


# The walk-round check.

CHECK: dict[str, Any] = {"break_h": 100 * S, "check_ahead_s": 30.0}


def missed(rows: list[Row], end_s: float, *events: Event) -> list[Any]:
    """(onset, cleared) of each; the hammer was checked once, 1,000 s before all this."""
    later = [Row(r.time_ns + 1000 * SECOND, r.values) for r in rows]
    told = [replace(one, time=one.time + 1000 * SECOND) for one in events]
    records = found(later, end_s + 1000, event(0, "check"), *told, only="check", **CHECK)
    return [(onset - 1000, over and over - 1000) for _, onset, over, _ in records]


def test_a_shift_is_checked_before_its_first_firing() -> None:
    on = event(50, "sign_on", operator="op-11")
    rows = [row(0), *fired(60, 62), *fired(70, 72)]
    # Nobody signed on at 0 s: a shift; op-11 at 50 s: another, whose check may be from 20 s on.
    assert missed(rows, 72, on) == [(60.0, None)]
    for at, expected in ((19.9, [(60.0, None)]), (20, []), (60, [])):
        assert missed(rows, 72, on, event(at, "check")) == expected
    assert missed(rows, 72, on, event(65, "check")) == [(60.0, 65.0)]


def test_no_check_is_missed_where_none_was_ever_entered() -> None:
    rows = [*fired(0, 2), *fired(102, 104)]
    assert found(rows, 104, only="check", **CHECK) == []
    assert found(rows, 104, event(103, "check"), only="check", **CHECK) == [
        ("check_missed", 0.0, 102.0, "low"),
        ("check_missed", 102.0, 103.0, "low"),
    ]


def test_what_begins_a_shift() -> None:
    on, again = event(0, "sign_on", operator="op-11"), event(61, "sign_on", operator="op-11")
    other, off = event(61.5, "sign_on", operator="op-12"), event(5, "sign_off")
    rows = [*fired(0, 1), *fired(60, 63)]
    # The same person again within a shift begins none; somebody else does, in the midst of firing.
    assert missed(rows, 63, on, again) == [(0.0, None)]
    assert missed(rows, 63, on, again, other) == [(0.0, 61.5), (61.5, None)]
    # After a break of 100 s to the dot (rows at 1 s and 101 s): with op-11 still signed on none; signed off, one;
    # signed on anew at the row, one as well.
    rows = [*fired(0, 1), *fired(101, 103)]
    assert missed(rows, 103, on) == [(0.0, None)]
    assert missed(rows, 103, on, off) == [(0.0, 101.0), (101.0, None)]
    back = event(101, "sign_on", operator="op-11")
    assert missed(rows, 103, on, off, back) == [(0.0, 101.0), (101.0, None)]
    assert missed([*fired(0, 1), *fired(100, 103)], 103, on, off) == [(0.0, None)]


# Storage.

LONG: dict[str, Any] = {"only": "storage", "storage_days": 100 * DAY}


def test_idle_for_long_and_not_put_in_storage() -> None:
    rows = [row(0), *fired(10, 12), row(60), row(150)]
    assert found(rows, 150, **LONG) == [("storage_due", 112.0, None, "low")]
    put_in = event(120, "storage", state="in")
    assert found(rows, 150, put_in, **LONG) == [("storage_due", 112.0, 120.0, "low")]
    assert found(rows, 150, event(12, "storage", state="in"), **LONG) == []
    # Put in storage before its first row, or with it, and never fired: well.
    for at in (5, 9):
        assert found([row(9), row(150)], 150, event(at, "storage", state="in"), **LONG) == []
    # Never fired: since it was first seen; until it fires.
    assert found([row(0), *fired(110, 112)], 112, event(105, "check"), **LONG) == [
        ("storage_due", 100.0, 110.0, "low")
    ]


def test_used_from_storage_without_making_ready() -> None:
    rows = [row(0), *fired(10, 12), *fired(20, 22), *fired(30, 32)]
    put_in, out = event(15, "storage", state="in"), event(25, "storage", state="out")
    assert found(rows, 40, put_in, **LONG) == [("storage_use", 20.0, None, "medium")]
    assert found(rows, 40, put_in, out, **LONG) == [("storage_use", 20.0, 25.0, "medium")]
    assert found(rows, 40, put_in, event(25, "check"), **LONG) == [("storage_use", 20.0, 25.0, "medium")]
    assert found(rows, 40, put_in, event(20, "storage", state="out"), **LONG) == []
    # A check is no taking out. Put in while it fires: used at once.
    assert found(rows, 40, put_in, event(18, "check"), **LONG) == [("storage_use", 20.0, None, "medium")]
    assert found(rows, 40, event(11, "storage", state="in"), **LONG) == [
        ("storage_use", 11.0, None, "medium")
    ]


def test_used_after_a_long_rest_without_a_check() -> None:
    rows = [*fired(10, 12), *fired(112, 114)]
    due = ("storage_due", 112.0, 112.0, "low")
    assert found(rows, 114, **LONG) == [due, ("storage_use", 112.0, None, "medium")]
    assert found(rows, 114, event(112, "check"), **LONG) == [due]
    assert found(rows, 114, event(12, "check"), **LONG) == [due]
    assert found(rows, 114, event(11, "check"), **LONG) == [due, ("storage_use", 112.0, None, "medium")]
    assert found([*fired(10, 12), *fired(111, 114)], 114, **LONG) == []
