"""The helpers of the twins against answers worked out by hand from guide/faults.md."""

import math

from strikewatch.core.instant import SECOND, seconds
from tests.twins import same_spot, signals
from tests.twins.signals import event, firing_rows, row


def test_duplicates_and_older_rows_are_not_used() -> None:
    rows = [row(1, oil_c=1.0), row(3, oil_c=3.0), row(3, oil_c=4.0), row(2, oil_c=2.0), row(5)]
    assert [r.time_ns // SECOND for r in signals.accepted(rows)] == [1, 3, 5]
    assert signals.accepted(rows)[1].values == {"oil_c": 3.0}


def test_firing_is_half_open_and_ends_with_the_hold_time() -> None:
    # True at 0 and 1.5, null at 3, false at 3.2: one bout [0, 3.2). True at 10 and 12: [10, 14).
    rows = [
        row(0, active=1.0),
        row(1.5, active=1.0),
        row(3, active=math.nan),
        row(3.2, active=0.0),
        row(10, active=1.0),
        row(12, active=1.0),
    ]
    assert signals.firing_spans(rows) == [(0, seconds(3.2)), (10 * SECOND, 14 * SECOND)]


def test_an_impossible_value_counts_as_missing() -> None:
    # 2.0 at 1 s is no value of `active`: the true value of 0 s holds until 2 s.
    assert signals.firing_spans([row(0, active=1.0), row(1, active=2.0), row(3, active=0.0)]) == [
        (0, 2 * SECOND)
    ]


def test_firing_from_pressure_keeps_its_state_while_pressure_is_unknown() -> None:
    # 79.9: off. 80 at 1: on. 60 at 2: still on, held to 4. Unknown 4..6. 65 at 6: between the limits,
    # still on, until 59.9 at 7. 79.9 at 8: off.
    values = [(0, 79.9), (1, 80.0), (2, 60.0), (6, 65.0), (7, 59.9), (8, 79.9)]
    rows = [row(t, pressure_bar=bar, active=math.nan) for t, bar in values]
    assert signals.firing_spans(rows) == [(1 * SECOND, 4 * SECOND), (6 * SECOND, 7 * SECOND)]


def test_a_feed_with_active_never_fires_from_pressure() -> None:
    rows = [row(0, active=0.0, pressure_bar=150.0), row(1, pressure_bar=150.0)]
    assert signals.firing_spans(rows) == []


def test_the_carrier_works_by_engine_speed_or_while_rows_are_close() -> None:
    # Engine: 401 at 0 holds to 10; 400 at 20 is not work. Rows: a gap of 10 s counts, 10.5 s does not.
    engine = [row(0, engine_rpm=401.0), row(20, engine_rpm=400.0), row(25)]
    assert signals.working_spans(engine) == [(0, 10 * SECOND)]
    without_engine = [row(0), row(10), row(20.5), row(21)]
    assert signals.working_spans(without_engine) == [(0, 10 * SECOND), (seconds(20.5), 21 * SECOND)]


def test_the_operator_is_the_last_sign_on_until_sign_off_or_fourteen_hours() -> None:
    hour = 3600
    events = [
        event(10, "sign_on", operator="op-11"),
        event(20, "sign_on", operator="op-12"),
        event(30, "sign_off"),
        event(40, "sign_on", operator="op-13"),
    ]
    expected = {9.9: None, 10: "op-11", 19.9: "op-11", 20: "op-12", 29.9: "op-12", 30: None, 40: "op-13"}
    expected |= {40 + 14 * hour - 0.1: "op-13", 40 + 14 * hour: None}
    assert {t: signals.operator_at(events, seconds(t)) for t in expected} == expected
    assert same_spot.find(firing_rows(0, 15), events, 20 * SECOND)[0].operator == "op-11"
