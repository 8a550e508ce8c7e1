"""Alarm KPIs: days counted by hand, and published targets (ISA-18.2 / IEC 62682, EEMUA 191)."""

from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.alert import Priority
from strikewatch.core.instant import SECOND
from strikewatch.engine.alarm_kpis import (
    ACCEPTABLE_PER_DAY,
    DAY,
    MAX_PER_DAY,
    PRIORITY_TARGETS,
    Interval,
    compute_kpis,
)
from strikewatch.engine.flood import Rules, Settings

RULES = Rules.of(Settings())
T0 = 1_772_608_500 * SECOND


def interval(
    onset_s: float, fault: str = "same_spot", priority: Priority = "low", lasted_s: float | None = 5.0
) -> Interval:
    onset = T0 + round(onset_s * SECOND)
    return Interval(
        "HB-01", fault, priority, onset, None if lasted_s is None else onset + round(lasted_s * SECOND)
    )


def test_the_kpis_of_a_day_are_those_counted_by_hand() -> None:
    """12 alerts of 12 faults 50 s apart: the 11th, at 500 s, begins a flood."""
    flood = [interval(50 * k, f"fault_{k}") for k in range(12)]
    later = [
        interval(40_000, priority="medium"),
        interval(50_000, priority="high"),
        interval(50_020),
        interval(50_040),
    ]
    found = compute_kpis([*flood, *later], T0, T0 + DAY, RULES)
    assert (found.alerts, found.per_day, found.busiest_day, found.busiest_10_min) == (16, 16.0, 16, 12)
    assert found.floods == 1
    # below 5 when the 8th (350 s) is 10 min old and 4 are left: from 500 s to 950 s
    assert found.flood_share == 450 / 86_400
    assert [(entry.fault, entry.alerts) for entry in found.top[:2]] == [("same_spot", 4), ("fault_0", 1)]
    assert len(found.top) == 10
    assert [(entry.fault, entry.chattered) for entry in found.chattering] == [("same_spot", 1)]
    assert found.spread == {"low": 14 / 16, "medium": 1 / 16, "high": 1 / 16}


def test_an_alert_active_for_over_a_day_is_stale() -> None:
    old = interval(-3 * 86_400, "grease_overdue", lasted_s=None)
    exactly, over = interval(0, "a", lasted_s=86_400), interval(0, "b", lasted_s=86_401)
    gone = interval(-5 * 86_400, "c", lasted_s=2 * 86_400)
    found = compute_kpis([old, exactly, over, gone], T0, T0 + 2 * DAY, RULES)
    assert [entry.fault for entry in found.stale] == ["grease_overdue", "b"]
    assert found.alerts == 2


def test_the_targets_are_the_published_ones() -> None:
    assert (ACCEPTABLE_PER_DAY, MAX_PER_DAY) == (150, 300)
    assert PRIORITY_TARGETS == {"low": 0.80, "medium": 0.15, "high": 0.05}


@given(
    st.lists(
        st.tuples(
            st.integers(-90_000, 180_000),
            st.sampled_from("abc"),
            st.one_of(st.none(), st.integers(0, 200_000)),
        )
    )
)
def test_shares_lie_between_0_and_1_and_each_alert_counts_once(
    alerts: list[tuple[int, str, int | None]],
) -> None:
    found = compute_kpis(
        [interval(onset, fault, lasted_s=lasted) for onset, fault, lasted in alerts], T0, T0 + DAY, RULES
    )
    assert found.alerts == sum(0 <= onset < 86_400 for onset, _, _ in alerts)
    assert sum(entry.alerts for entry in found.top) == found.alerts
    assert 0 <= found.flood_share <= 1
    assert round(sum(found.spread.values()), 9) == (1 if found.alerts else 0)
    assert found.busiest_10_min <= found.busiest_day <= found.alerts
