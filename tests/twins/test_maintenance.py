"""The twins of the maintenance faults against answers worked out by hand, with seconds in place of hours."""

from dataclasses import replace
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins import maintenance
from tests.twins.signals import Row, event, firing_rows, row, summaries

S, DAY = 1 / 3600, 1 / 86_400
LIMITS: dict[str, Any] = {
    "inspection_h": (45 * S, 50 * S, 60 * S),
    "inspection_days": (600 * DAY, 700 * DAY, 800 * DAY),
    "service_h": (1e3, 1e3, 1e3),
}


def found(rows: list[Row], end_s: float, *events: Event, only: str = "", **settings: Any) -> list[Any]:
    records = maintenance.find(rows, events, seconds(end_s), **{**LIMITS, **settings})
    return [summary for summary in summaries(records) if summary[0].startswith(only)]


def inspections(rows: list[Row], end_s: float, *events: Event, **settings: Any) -> list[Any]:
    return [
        (fault.removeprefix("inspection_"), *rest)
        for fault, *rest in found(rows, end_s, *events, only="inspection", **settings)
    ]


def test_each_stage_replaces_the_stage_before() -> None:
    # Rows 9 s apart to 54 s, then 20 s that do not count, then on from 74 s: 50 s at 50 s, 60 s at 80 s.
    rows = [row(t) for t in (*range(0, 55, 9), *range(74, 120, 9))]
    assert inspections(rows, 119) == [
        ("soon", 45.0, 50.0, "low"),
        ("due", 50.0, 80.0, "low"),
        ("overdue", 80.0, None, "medium"),
    ]
    assert inspections(rows, 119, event(85, "inspection"))[2] == ("overdue", 80.0, 85.0, "medium")
    assert inspections(rows, 79) == [("soon", 45.0, 50.0, "low"), ("due", 50.0, None, "low")]


def test_days_count_without_any_work() -> None:
    # Seen first at 5 s: 600 s later at 605 s; inspected at 650 s, entered at 1,300 s only: 650 s ago by then.
    late = Event("fennick-hollow", "HB-01", "inspection", 650 * SECOND, {}, 1300 * SECOND)
    assert inspections([row(5), row(2000)], 2000, late) == [
        ("soon", 605.0, 705.0, "low"),
        ("due", 705.0, 805.0, "low"),
        ("overdue", 805.0, 1300.0, "medium"),
        ("soon", 1300.0, 1350.0, "low"),
        ("due", 1350.0, 1450.0, "low"),
        ("overdue", 1450.0, None, "medium"),
    ]


def test_work_since_an_event_entered_late_is_at_most_its_age() -> None:
    # Works on [0, 30); inspected at 20 s, entered at 30 s: 10 s may count since. 45 s at 65 s.
    rows = [row(5 * t) for t in range(20)]
    late = Event("fennick-hollow", "HB-01", "inspection", 20 * SECOND, {}, 30 * SECOND)
    assert inspections(rows, 66, late) == [("soon", 65.0, None, "low")]
    assert inspections(rows, 66, event(20, "inspection")) == [("soon", 65.0, None, "low")]
    # An older one, entered later still, does not change that.
    older = Event("fennick-hollow", "HB-01", "inspection", 3 * SECOND, {}, 40 * SECOND)
    assert inspections(rows, 66, event(20, "inspection"), older) == [("soon", 65.0, None, "low")]


FIRST_READING = event(0, "hours", meter_h=0.0)
"""The first reading of the hour meter, which leaves the timers."""


def test_the_first_reading_of_the_meter_leaves_the_timers() -> None:
    rows = [row(5 * t) for t in range(10)]
    assert inspections(rows, 44, event(20, "hours", meter_h=5000 * S)) == []


def test_a_reading_entered_late_may_lack_the_work_since_then() -> None:
    # Read at 20 s, entered at 30 s: the meter may have shown 25 s, but not 19 s.
    rows = [row(5 * t) for t in range(10)]
    for reading_s, faults in ((25, []), (19, [("hour_meter", 30.0, None, "low")])):
        fields = {"meter_h": reading_s * S}
        late = Event("fennick-hollow", "HB-01", "hours", 20 * SECOND, fields, 30 * SECOND)
        assert found(rows, 44, FIRST_READING, late, only="hour") == faults


def test_without_engine_speed_an_event_drops_the_part_of_its_interval_before_it() -> None:
    # Inspected at 42 s: zero there. A reading at 47 s of what the meter knows of (40 s) plus 3 s adds 3 s.
    rows = [row(10 * t) for t in range(20)]
    assert inspections(rows, 90, event(42, "inspection")) == [("soon", 87.0, None, "low")]
    # The clock at 47 s: 40 s + 3 s, and 45 s at 49 s.
    readings = (FIRST_READING, event(47, "hours", meter_h=43 * S))
    assert inspections(rows, 49, *readings) == [("soon", 49.0, None, "low")]
    # With an engine known to turn all is counted: the reading is below the meter, of 47 s.
    engine = [row(10 * t, engine_rpm=1500.0) for t in range(20)]
    assert inspections(engine, 49, *readings) == [("soon", 45.0, None, "low")]
    assert found(engine, 49, *readings, only="hour") == [("hour_meter", 47.0, None, "low")]


def test_a_lower_reading_without_a_reason_is_a_fault() -> None:
    # At 20 s: 30 s are read, 10 s more. At 30 s: below 40 s, not accepted. At 40 s (meter 50 s): replaced, reads 0.
    # At 45 s: reads 5 s, as it should. At 50 s (meter 10 s): corrected to 4 s, 6 s less for all timers.
    rows = [row(5 * t) for t in range(20)]
    events = [
        FIRST_READING,
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


def test_a_timer_is_not_corrected_below_zero() -> None:
    rows = [row(5 * t) for t in range(30)]
    back = event(10, "hours", meter_h=0.0, reason="corrected")
    inspected = event(5, "inspection")
    # 5 s since the inspection, 10 s less: zero. 45 s at 55 s.
    assert inspections(rows, 59, FIRST_READING, inspected, back) == [("soon", 55.0, None, "low")]


def test_a_stage_that_is_jumped_over_is_left_out() -> None:
    rows = [row(5 * t) for t in range(10)]
    assert inspections(rows, 45, FIRST_READING, event(20, "hours", meter_h=55 * S)) == [
        ("due", 20.0, 25.0, "low"),
        ("overdue", 25.0, None, "medium"),
    ]


# The walkaround inspection.

CHECK: dict[str, Any] = {"break_h": 100 * S, "check_ahead_s": 30.0}


def missed(rows: list[Row], end_s: float, *events: Event) -> list[Any]:
    """Return (onset, cleared) of each check_missed; the hammer was inspected once, 1,000 s earlier."""
    later = [Row(r.time_ns + 1000 * SECOND, r.values) for r in rows]
    moved = [replace(event, time=event.time + 1000 * SECOND) for event in events]
    records = found(later, end_s + 1000, event(0, "check"), *moved, only="check", **CHECK)
    return [(onset - 1000, cleared and cleared - 1000) for _, onset, cleared, _ in records]


def test_a_shift_must_be_inspected_before_its_first_firing() -> None:
    on = event(50, "sign_on", operator="op-11")
    rows = [row(0), *firing_rows(60, 62), *firing_rows(70, 72)]
    # Nobody signed on at 0 s: a shift; op-11 at 50 s: another, whose check may be from 20 s on.
    assert missed(rows, 72, on) == [(60.0, None)]
    for at, expected in ((19.9, [(60.0, None)]), (20, []), (60, [])):
        assert missed(rows, 72, on, event(at, "check")) == expected
    assert missed(rows, 72, on, event(65, "check")) == [(60.0, 65.0)]


def test_without_any_inspection_none_is_missed() -> None:
    rows = [*firing_rows(0, 2), *firing_rows(102, 104)]
    assert found(rows, 104, only="check", **CHECK) == []
    assert found(rows, 104, event(103, "check"), only="check", **CHECK) == [
        ("check_missed", 0.0, 102.0, "low"),
        ("check_missed", 102.0, 103.0, "low"),
    ]


def test_a_shift_begins_with_another_operator_or_after_a_break() -> None:
    on, again = event(0, "sign_on", operator="op-11"), event(61, "sign_on", operator="op-11")
    other, off = event(61.5, "sign_on", operator="op-12"), event(5, "sign_off")
    rows = [*firing_rows(0, 1), *firing_rows(60, 63)]
    # The same operator again begins no shift; another does, even during firing.
    assert missed(rows, 63, on, again) == [(0.0, None)]
    assert missed(rows, 63, on, again, other) == [(0.0, 61.5), (61.5, None)]
    # After a break of exactly 100 s (rows at 1 s and 101 s): with op-11 still signed on none; signed off, one;
    # signed on anew at the row, one as well.
    rows = [*firing_rows(0, 1), *firing_rows(101, 103)]
    assert missed(rows, 103, on) == [(0.0, None)]
    assert missed(rows, 103, on, off) == [(0.0, 101.0), (101.0, None)]
    back = event(101, "sign_on", operator="op-11")
    assert missed(rows, 103, on, off, back) == [(0.0, 101.0), (101.0, None)]
    assert missed([*firing_rows(0, 1), *firing_rows(100, 103)], 103, on, off) == [(0.0, None)]


# Storage.

LONG: dict[str, Any] = {"only": "storage", "storage_days": 100 * DAY}


def test_storage_due_after_long_without_firing_unless_stored() -> None:
    rows = [row(0), *firing_rows(10, 12), row(60), row(150)]
    assert found(rows, 150, **LONG) == [("storage_due", 112.0, None, "low")]
    put_in = event(120, "storage", state="in")
    assert found(rows, 150, put_in, **LONG) == [("storage_due", 112.0, 120.0, "low")]
    assert found(rows, 150, event(12, "storage", state="in"), **LONG) == []
    # Put in storage before its first row, or with it, and never fired: no fault.
    for at in (5, 9):
        assert found([row(9), row(150)], 150, event(at, "storage", state="in"), **LONG) == []
    # Never fired: since it was first seen; until it fires.
    assert found([row(0), *firing_rows(110, 112)], 112, event(105, "check"), **LONG) == [
        ("storage_due", 100.0, 110.0, "low")
    ]


def test_storage_use_when_fired_from_storage_unprepared() -> None:
    rows = [row(0), *firing_rows(10, 12), *firing_rows(20, 22), *firing_rows(30, 32)]
    put_in, out = event(15, "storage", state="in"), event(25, "storage", state="out")
    assert found(rows, 40, put_in, **LONG) == [("storage_use", 20.0, None, "medium")]
    assert found(rows, 40, put_in, out, **LONG) == [("storage_use", 20.0, 25.0, "medium")]
    assert found(rows, 40, put_in, event(25, "check"), **LONG) == [("storage_use", 20.0, 25.0, "medium")]
    assert found(rows, 40, put_in, event(20, "storage", state="out"), **LONG) == []
    # A check does not take it out. Put in while it fires: used at once.
    assert found(rows, 40, put_in, event(18, "check"), **LONG) == [("storage_use", 20.0, None, "medium")]
    assert found(rows, 40, event(11, "storage", state="in"), **LONG) == [
        ("storage_use", 11.0, None, "medium")
    ]


def test_storage_use_after_long_without_firing_and_without_a_check() -> None:
    rows = [*firing_rows(10, 12), *firing_rows(112, 114)]
    due = ("storage_due", 112.0, 112.0, "low")
    assert found(rows, 114, **LONG) == [due, ("storage_use", 112.0, None, "medium")]
    assert found(rows, 114, event(112, "check"), **LONG) == [due]
    assert found(rows, 114, event(12, "check"), **LONG) == [due]
    assert found(rows, 114, event(11, "check"), **LONG) == [due, ("storage_use", 112.0, None, "medium")]
    assert found([*firing_rows(10, 12), *firing_rows(111, 114)], 114, **LONG) == []
