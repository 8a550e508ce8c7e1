"""The slow twins against answers worked out by hand from guide/faults.md.

The figures of the rules are common practice in the trade, with no published source; the arithmetic is in the
comments.
"""

import math
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins import greasing, oil, operating_time, same_spot, sensor_fault
from tests.twins.signals import Row, event, firing_rows, row, summaries


def spots(rows: list[Row], end_s: float, events: tuple[Event, ...] = (), **settings: Any) -> list[Any]:
    return summaries(same_spot.find(rows, events, seconds(end_s), **settings))


# same_spot.


def test_fifteen_seconds_reach_the_limit_and_a_nanosecond_less_does_not() -> None:
    # Firing [0, 15): onset = end = 15 s; certain at 17 s, so by 16.9 s it is not cleared yet.
    assert spots(firing_rows(0, 15), 17) == [("same_spot", 15.0, 15.0, "medium")]
    assert spots(firing_rows(0, 15), 16.9) == [("same_spot", 15.0, None, "medium")]
    short = [*firing_rows(0, 15)[:-1], Row(15 * SECOND - 1, {"active": 0.0})]
    assert spots(short, 100) == []


def test_the_onset_may_lie_between_samples() -> None:
    # Firing from 0.7 s, a value every 1.9 s: the limit is reached at 15.7 s; the last one holds to 17.9 s.
    rows = [Row(seconds(0.7) + i * seconds(1.9), {"active": 1.0}) for i in range(9)]
    assert rows[-1].time_ns == seconds(15.9)
    assert spots(rows, 19.9) == [("same_spot", 15.7, 17.9, "medium")]
    assert spots(rows, 15.7) == [("same_spot", 15.7, None, "medium")]
    assert spots(rows, 15.6) == []


def test_pauses_do_not_count_and_a_pause_of_two_seconds_ends_the_spot() -> None:
    # [0, 10), pause 1 s, [11, 20): 15 s of firing at 16 s; firing stops at 20.
    assert spots(firing_rows(0, 10) + firing_rows(11, 20), 22) == [("same_spot", 16.0, 20.0, "medium")]
    # A pause of exactly 2 s ends the spot: 10 s and 9 s.
    assert spots(firing_rows(0, 10) + firing_rows(12, 21), 30) == []
    nearly = [*firing_rows(0, 10), *(Row(r.time_ns - 1, r.values) for r in firing_rows(12, 21))]
    assert [onset for _, onset, _, _ in spots(nearly, 30)] == [(17 * SECOND - 1) / SECOND]


def test_priority_is_high_from_twice_the_limit() -> None:
    assert spots(firing_rows(0, 30), 40)[0][3] == "high"
    assert spots(firing_rows(0, 30), 29)[0][3] == "medium"
    assert spots(firing_rows(0, 29), 40)[0][3] == "medium"


def test_the_tool_more_than_half_a_metre_away_ends_the_spot() -> None:
    # At 15 s it is 0.5 m away (3-4-5), which is not more: the spot continues. At 17 s, 0.75 m: cleared
    # there, and the next spot begins, fires 15 s until 32 s and stops there.
    rows = firing_rows(0, 32)
    rows[0] = row(0, active=1.0, tool_x_m=0.0, tool_y_m=0.0)
    rows[15] = row(15, active=1.0, tool_x_m=0.3, tool_y_m=0.4)
    rows[17] = row(17, active=1.0, tool_x_m=0.75, tool_y_m=0.0)
    assert spots(rows, 34) == [("same_spot", 15.0, 17.0, "medium"), ("same_spot", 32.0, 32.0, "medium")]


def test_the_position_counts_only_while_firing() -> None:
    # Away at 10.5 s and back at 10.8 s, in a pause: nothing. Firing [0, 10) and [11, 16): 15 s at 16 s.
    there = {"tool_x_m": 0.0, "tool_y_m": 0.0}
    rows = [row(0, active=1.0, **there), *firing_rows(1, 10)]
    rows += [row(10.5, tool_x_m=9.0, tool_y_m=0.0), row(10.8, tool_x_m=0.0), *firing_rows(11, 16)]
    assert spots(rows, 18) == [("same_spot", 16.0, 16.0, "medium")]
    # Not back: the spot ends when firing begins at 11 s, and so none reaches 15 s.
    moved = [r for r in rows if r.time_ns != seconds(10.8)]
    assert spots(moved, 18) == []


def test_a_spot_without_a_position_at_its_start_takes_the_first_known_one() -> None:
    # Known at 8 s only (y came at 5 s, x at 8 s); 0.6 m from there at 12 s: ends there. Then [12, 27).
    rows = firing_rows(0, 27)
    rows[5] = row(5, active=1.0, tool_y_m=1.0)
    rows[8] = row(8, active=1.0, tool_x_m=1.0)
    rows[12] = row(12, active=1.0, tool_x_m=1.6)
    assert spots(rows, 29) == [("same_spot", 27.0, 27.0, "medium")]


# hot_oil and cold_oil.


def hot(rows: list[Row], end_s: float, **settings: Any) -> list[Any]:
    return summaries(oil.find_hot_oil(rows, (), seconds(end_s), **settings))


def test_oil_is_hot_after_five_seconds_above_80_and_cool_at_78() -> None:
    # Above from 10 s, hot at 15 s, while firing [0, 20): onset 15 s. 78.1 at 30 s is not cool, 78 at 40 s is.
    rows = firing_rows(0, 20)
    rows[10] = row(10, active=1.0, oil_c=80.1)
    rows += [row(30, oil_c=78.1), row(40, oil_c=78.0)]
    assert hot(rows, 50) == [("hot_oil", 15.0, 40.0, "medium")]
    # 5 s of firing while hot: [15, 20).
    assert oil.find_hot_oil(rows, (), 50 * SECOND)[0].evidence == {"peak_c": 80.1, "firing_s": 5.0}
    assert hot(rows, 39) == [("hot_oil", 15.0, None, "medium")]


def test_80_exactly_at_the_end_of_the_delay_cancels_it() -> None:
    rows = firing_rows(0, 20)
    rows[10] = row(10, active=1.0, oil_c=81.0)
    rows[15] = row(15, active=1.0, oil_c=80.0)
    assert hot(rows, 50) == []
    # A nanosecond later it is too late: hot at 15 s.
    rows[15] = Row(15 * SECOND + 1, {"active": 1.0, "oil_c": 80.0})
    assert hot(rows, 50) == [("hot_oil", 15.0, None, "medium")]


def test_unknown_oil_restarts_the_delay_but_does_not_cool() -> None:
    # Delay 100 s. 81 at 0 is unknown from 60 s; 81 again at 70 s and 120 s: hot at 170 s. Unknown from 180 s
    # and the hammer fires at 300 s: hot still, so that is the onset.
    rows = [row(t, oil_c=81.0) for t in (0, 70, 120)] + firing_rows(300, 305)
    assert hot(rows, 400, on_delay_s=100.0) == [("hot_oil", 300.0, None, "medium")]
    # With a value at 59 s instead of 70 s, and at 118 s, it is never unknown: hot at 100 s.
    assert oil.hot_spans([row(t, oil_c=81.0) for t in (0, 59, 118)], on_delay_s=100.0)[0][0] == 100 * SECOND


def test_hot_oil_without_firing_is_no_fault_and_each_spell_at_most_one() -> None:
    idle = [row(0, oil_c=90.0), row(50, oil_c=90.0)]
    assert hot(idle, 50) == []
    # Fires twice in one spell: one fault, from the first. At the instant at which it is cool it is not hot.
    assert hot(idle[:1] + firing_rows(10, 12) + firing_rows(20, 22), 50) == [("hot_oil", 10.0, None, "high")]
    assert hot([row(0, oil_c=90.0), row(10, active=1.0, oil_c=78.0)], 50) == []


def test_the_peak_counts_from_when_the_oil_became_hot() -> None:
    # 86 at 1 s falls to 82 at 3 s, within the delay: hot at 6 s with a peak of 82. 85.0 does not exceed 85.
    rows = [row(1, oil_c=86.0), row(3, oil_c=82.0), row(8, oil_c=85.0), *firing_rows(9, 11)]
    assert hot(rows, 20) == [("hot_oil", 9.0, None, "medium")]
    assert hot([*rows, row(15, oil_c=85.1)], 20)[0][3] == "high"


def test_ten_seconds_of_firing_with_cold_oil() -> None:
    # Cold from 0 s, known until 60 s. Firing [55, 65): 5 s count, then unknown. 19 at 70 s, firing [70, 80):
    # 10 s at 75 s. 20 at 90 s is not below: cleared.
    rows = [
        row(0, oil_c=19.0),
        *firing_rows(55, 65),
        row(70, active=1.0, oil_c=19.0),
        *firing_rows(71, 80),
        row(90, oil_c=20.0),
    ]
    assert summaries(oil.find_cold_oil(rows, (), 100 * SECOND)) == [("cold_oil", 75.0, 90.0, "low")]
    # A value at the limit in between starts the count again: [71, 80) are only 9 s.
    rows.insert(1, row(69, oil_c=20.0))
    rows.sort(key=lambda r: r.time_ns)
    rows[[r.time_ns for r in rows].index(70 * SECOND)] = row(70, active=0.0, oil_c=19.0)
    assert oil.find_cold_oil(rows, (), 100 * SECOND) == []


# grease.

LIMITS_S: dict[str, Any] = {"due_s": 45.0, "limit_s": 60.0, "high_s": 90.0}
"""Seconds in place of 1 h 45 min, 2 h and 3 h."""


def greased(rows: list[Row], end_s: float, *events: Event) -> list[Any]:
    return summaries(greasing.find_manual(rows, events, seconds(end_s), **LIMITS_S))


def test_due_overdue_and_high_by_the_operating_clock() -> None:
    # Rows 9 s apart: the clock runs from 0. The gap of 20 s does not count: 60 s at 80 s, 90 s at 110 s.
    rows = [row(t) for t in (*range(0, 55, 9), *range(74, 120, 9))]
    due, overdue = ("grease_due", 45.0, None, "low"), ("grease_overdue", 80.0, None, "high")
    assert greased(rows, 119) == [due, overdue]
    assert greased(rows[:-2], 101) == [due, (*overdue[:3], "medium")]


def test_greasing_between_two_rows_resets_the_clock_at_its_instant() -> None:
    # Greased at 50 s, due again after 45 s more, at 95 s; greasing exactly at 110 s finds 60 s just reached.
    rows = [row(10 * t) for t in range(20)]
    events = event(50, "grease"), event(110, "grease"), event(400, "grease")
    assert greased(rows, 140, *events) == [
        ("grease_due", 45.0, 50.0, "low"),
        ("grease_due", 95.0, 110.0, "low"),
        ("grease_overdue", 110.0, 110.0, "medium"),
    ]
    # By 190 s the third stretch is at 80 s; the grease after the end of the recording clears it.
    assert greased(rows, 190, *events)[3:] == [
        ("grease_due", 155.0, 400.0, "low"),
        ("grease_overdue", 170.0, 400.0, "medium"),
    ]


def test_too_few_strokes_are_grease_short() -> None:
    # One nipple needs 15, two or more need 10 each; only by hand; without strokes nothing is judged.
    events = [
        event(1, "grease", strokes=[14]),
        event(2, "grease", strokes=[15], method="manual"),
        event(3, "grease", strokes=[10, 9]),
        event(4, "grease", strokes=[3], method="automatic"),
        event(5, "grease", strokes=[]),
        event(6, "grease"),
        event(7, "grease", strokes=[12, 12, 9]),
    ]
    assert greased([], 6, *events) == [
        ("grease_short", 1.0, 2.0, "low"),
        ("grease_short", 3.0, 4.0, "low"),
        ("grease_short", 7.0, None, "low"),
    ]


# The data itself.


def lost(rows: list[Row], end_s: float) -> list[Any]:
    return summaries(operating_time.find_signal_lost(rows, (), seconds(end_s)))


def test_silence_of_thirty_seconds_while_working_is_signal_lost() -> None:
    # It works at 10 s (a gap of 10 s before it): lost at 40 s. At 0 s nothing came before it: it did not work.
    assert lost([row(0), row(10), row(40)], 40) == [("signal_lost", 40.0, 40.0, "low")]
    assert lost([row(0), row(10)], 40) == [("signal_lost", 40.0, None, "low")]
    assert lost([row(0), row(10)], 39.9) == []
    assert lost([row(0), row(10.5), row(60)], 60) == []


def test_silence_with_the_engine_off_is_no_fault() -> None:
    # At 9 s the 900 rpm of 0 s are still known, at 10 s no more.
    assert lost([row(0, engine_rpm=900.0), row(9)], 60) == [("signal_lost", 39.0, None, "low")]
    assert lost([row(0, engine_rpm=900.0), row(10)], 60) == []
    assert lost([row(0, engine_rpm=400.0), row(9)], 60) == []


def bad(rows: list[Row], end_s: float, **settings: Any) -> list[Any]:
    return summaries(sensor_fault.find(rows, (), seconds(end_s), **settings))


def test_one_sensor_alert_lasts_until_every_channel_is_valid() -> None:
    # oil bad [1, 4), pressure bad [2, 7): one alert [1, 7). NaN does not end it. 600 bar is within the range.
    rows = [row(1, oil_c=250.0), row(2, pressure_bar=601.0), row(3, oil_c=math.nan), row(4, oil_c=50.0)]
    mended = [*rows, row(7, pressure_bar=600.0)]
    assert bad(mended, 9, off_delay_s=2.0) == [("sensor_fault", 1.0, 7.0, "low")]
    assert bad(mended, 9, off_delay_s=2.1) == [("sensor_fault", 1.0, None, "low")]
    assert bad(rows, 9, off_delay_s=2.0) == [("sensor_fault", 1.0, None, "low")]
    # One channel recovers at the instant at which the other fails: still one alert.
    touching = [row(1, oil_c=250.0), row(2, oil_c=50.0, pressure_bar=601.0), row(3, pressure_bar=9.0)]
    assert bad(touching, 9, off_delay_s=2.0) == [("sensor_fault", 1.0, 3.0, "low")]
    # Bad again 3 s after it was mended: the same alert while the off-delay is longer than that.
    again = [*mended, row(10, oil_c=250.0), row(11, oil_c=50.0)]
    assert bad(again, 90) == [("sensor_fault", 1.0, 11.0, "low")]
    assert [one.evidence for one in sensor_fault.find(again, (), seconds(90))] == [{"occurrences": 2}]
    assert bad(again, 90, off_delay_s=3.0) == [
        ("sensor_fault", 1.0, 7.0, "low"),
        ("sensor_fault", 10.0, 11.0, "low"),
    ]


def test_frozen_after_enough_firing_without_a_change() -> None:
    # 55 °C at 0 s and 50 s is known until 110 s. Firing [0, 5) and [105, 120): 5 + 5 s while known, unknown
    # until 115 s, then 55 °C again and the last 5 s: 15 s at 120 s. The same at 125 s, another at 130 s.
    rows = [row(0, active=1.0, oil_c=55.0), *firing_rows(1, 5), row(50, oil_c=55.0), *firing_rows(105, 120)]
    rows[rows.index(row(115, active=1.0))] = row(115, active=1.0, oil_c=55.0)
    rows += [row(125, oil_c=55.0), row(130, oil_c=54.9)]
    assert bad(rows, 140, frozen_s=15.0, off_delay_s=9.0) == [("sensor_fault", 120.0, 130.0, "low")]
    assert bad(rows, 140, frozen_s=14.5, off_delay_s=9.0) == [("sensor_fault", 119.5, 130.0, "low")]
    assert bad(rows, 140, frozen_s=15.1) == []
