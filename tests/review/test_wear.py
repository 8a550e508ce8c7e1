"""Decisions on bushings and tools, tool lives, and tool advice: every case, and generated events."""

import itertools
import math
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.review.statistics.lifetimes import fit_trend
from strikewatch.review.wear import advice, inspections, tools
from strikewatch.review.wear.advice import GROOVES, Settings
from tests.profiles import examples

KEY = ("fennick-hollow", "HB-01")
HOUR = 3600 * SECOND


def test_every_state_of_the_grooves_has_a_decision() -> None:
    """First gone and second visible: reuse. Second nearly gone: turn, once. Second gone, or at that point again after
    a turn: replace (common practice, no published source)."""
    expected = {
        "first_groove_visible": {False: "reuse", True: "reuse", None: "reuse"},
        "second_groove_visible": {False: "reuse", True: "reuse", None: "reuse"},
        "second_groove_faint": {False: "turn", True: "replace", None: "turn"},
        "second_groove_gone": {False: "replace", True: "replace", None: "replace"},
    }
    assert set(expected) == set(GROOVES)
    for state, turned in itertools.product(GROOVES, (False, True, None)):
        decision = advice.bushing(state, turned)
        assert decision.verdict == expected[state][turned]
        assert decision.why.endswith(".")
    assert "if it has not been turned" in advice.bushing("second_groove_faint", None).why


@pytest.mark.parametrize(
    ("state", "turned", "bore_mm", "limit_mm", "verdict"),
    [
        (None, None, 144.9, 145.0, "reuse"),
        (None, None, 145.0, 145.0, "replace"),
        (None, None, 145.0, None, None),
        (None, None, None, 145.0, None),
        ("first_groove_visible", False, 145.0, 145.0, "replace"),
        ("first_groove_visible", False, 145.0, None, "reuse"),
        ("second_groove_gone", False, 120.0, 145.0, "replace"),
        ("second_groove_faint", False, 120.0, 145.0, "turn"),
    ],
)
def test_the_bore_decides_without_grooves_or_at_its_limit(
    state: Any, turned: bool | None, bore_mm: float | None, limit_mm: float | None, verdict: str | None
) -> None:
    decision = advice.lower_bushing(state, turned, bore_mm, limit_mm)
    assert decision.verdict == verdict
    assert verdict is not None or "manual" in decision.why or "Neither" in decision.why


def test_a_tool_is_worn_out_at_its_limit() -> None:
    assert advice.tool("length", 700.0, 700.0).verdict == "replace"
    assert advice.tool("length", 700.1, 700.0).verdict == "reuse"
    assert advice.tool("length", 700.1, None).verdict is None


readings = st.lists(
    st.tuples(st.integers(0, 400), st.integers(1000, 1400)),
    min_size=3,
    max_size=9,
    unique_by=lambda pair: pair[0],
)


@given(readings, st.integers(900, 1600), st.booleans())
def test_the_trend_reaches_the_limit_at_its_crossing_and_not_before(
    pairs: list[tuple[int, int]], limit: int, falling: bool
) -> None:
    pairs.sort()
    line = fit_trend([float(hour) for hour, _ in pairs], [value / 10 for _, value in pairs])
    assert line is not None
    limit_mm, sign = limit / 10, -1.0 if falling else 1.0
    crossing = line.crossing(limit_mm, falling=falling)

    def beyond(hour: float) -> tuple[float, float, float]:
        """How far the line, the edge that is first and the edge that is last are beyond the limit, mm."""
        value, low, high = line.at(hour)
        first, last = (low, high) if falling else (high, low)
        return sign * (value - limit_mm), sign * (first - limit_mm), sign * (last - limit_mm)

    for number, hour in enumerate(crossing):
        now = beyond(line.last_h)[number]
        if hour is None:
            probe = [line.last_h + step for step in (0.0, 1.0, 10.0, 100.0, 1e3, 1e4, 1e5)]
            assert all(beyond(hour)[number] < 1e-6 for hour in probe)
        elif hour == line.last_h:
            assert now >= -1e-9
        else:
            off = abs(beyond(hour)[number])
            assert off < 1e-6 * max(1.0, abs(hour))
            assert now < 0
            between = [line.last_h + part * (hour - line.last_h) / 20 for part in range(20)]
            assert all(beyond(inner)[number] <= 1e-6 * max(1.0, abs(hour)) for inner in between)
    crossings = [
        math.inf if hour is None else hour for hour in (crossing.first_h, crossing.line_h, crossing.last_h)
    ]
    assert crossings == sorted(crossings), "the line lies between its edges"


def test_too_few_readings_have_no_trend() -> None:
    assert fit_trend([], []) is None
    assert fit_trend([1.0, 2.0], [140.0, 140.1]) is None
    assert fit_trend([5.0, 5.0, 5.0], [140.0, 140.1, 140.2]) is None
    line = fit_trend([0.0, 10.0, 20.0], [140.0, 141.0, 142.0])
    assert line is not None
    assert line.crossing(145.0, falling=False) == pytest.approx((50.0, 50.0, 50.0))
    assert line.crossing(139.0, falling=True) == (None, None, None)


def event(hour: float, kind: str, **fields: Any) -> Event:
    return Event(*KEY, kind, int(hour * HOUR), fields)


def exposure(
    *rows: tuple[float, float, float, float], operators: tuple[str, ...] = ("op-11",), hammer: str = KEY[1]
) -> pd.DataFrame:
    """(from, to, operating, firing), hours, with 100 blows an hour of firing; operators in turn."""
    return pd.DataFrame(
        {
            "site": KEY[0],
            "hammer": hammer,
            "operator": [operators[n % len(operators)] for n in range(len(rows))],
            "start": pd.to_datetime([int(row[0] * HOUR) for row in rows], unit="ns", utc=True),
            "end": pd.to_datetime([int(row[1] * HOUR) for row in rows], unit="ns", utc=True),
            "operating_s": [row[2] * 3600 for row in rows],
            "firing_s": [row[3] * 3600 for row in rows],
            "blows": [row[3] * 100 for row in rows],
        }
    )


def hours(n: int, operators: tuple[str, ...] = ("op-11",)) -> pd.DataFrame:
    """Return clock hours of work, half of each with firing."""
    return exposure(*((float(k), k + 1.0, 1.0, 0.5) for k in range(n)), operators=operators)


def test_readings_are_over_operating_hours() -> None:
    events = [event(at, "inspection", bore_mm=140.0 + at / 10) for at in (5, 10, 15)]
    (worn,) = inspections.inspected_hammers(hours(20), events, {KEY: Settings(bore_limit_mm=145.0)})
    (bore,) = worn.measured
    assert [reading.hours for reading in bore.readings] == pytest.approx([5, 10, 15])
    assert worn.hours == pytest.approx(20)
    assert worn.bushing.verdict == "reuse"
    assert bore.crossing is not None
    assert bore.crossing.line_h == pytest.approx(50.0)
    (silent,) = inspections.inspected_hammers(hours(20), events, {KEY: Settings()})
    assert silent.measured[0].crossing is None
    assert silent.measured[0].trend == bore.trend
    assert silent.bushing.verdict is None


def test_a_tool_is_identified_by_its_serial_number_over_its_own_hours() -> None:
    """The hammer's hours with another tool count for that tool."""
    events = [
        event(0, "tool_change", tool="moil", serial="T-1"),
        event(4, "inspection", tool_length_mm=700.0),
        event(6, "tool_change", tool="blunt"),
        event(8, "inspection", tool_length_mm=900.0),
        event(16, "tool_change", tool="moil", serial="T-1"),
        event(18, "inspection", tool_length_mm=696.0),
        event(22, "inspection", tool_length_mm=692.0),
    ]
    (worn,) = inspections.inspected_hammers(hours(25), events, {KEY: Settings(tool_length_limit_mm=690.0)})
    blunt, moil = worn.measured
    assert (blunt.kind, blunt.serial, [reading.value_mm for reading in blunt.readings]) == (
        "blunt",
        None,
        [900.0],
    )
    assert moil.serial == "T-1"
    assert [reading.hours for reading in moil.readings] == pytest.approx([4, 8, 12])
    assert moil.hours == pytest.approx(15)
    assert moil.crossing is not None
    assert moil.crossing.line_h == pytest.approx(14)


@pytest.mark.parametrize(
    ("later", "verdict", "bores"),
    [
        ({"bushing": "second_groove_faint", "turned_before": True}, "replace", 2),
        ({"bushing": "second_groove_visible", "turned_before": True}, "reuse", 2),
        ({"bushing": "first_groove_visible", "bushing_new": True}, "reuse", 1),
        ({"bushing": "first_groove_visible", "turned_before": False}, "reuse", 1),
        ({"bushing": "second_groove_faint", "bushing_new": True}, "turn", 1),
        ({"bushing": "second_groove_faint"}, "turn", 2),
    ],
)
def test_readings_start_again_with_a_new_but_not_with_a_turned_bushing(
    later: dict[str, Any], verdict: str, bores: int
) -> None:
    events = [
        event(5, "inspection", bushing="second_groove_faint", bore_mm=144.0),
        event(10, "inspection", bore_mm=144.5, **later),
    ]
    (worn,) = inspections.inspected_hammers(hours(20), events, {KEY: Settings()})
    assert worn.bushing.verdict == verdict
    assert len(worn.measured[0].readings) == bores


def test_tool_lives_end_by_the_reason_of_the_change() -> None:
    events = [
        event(2, "tool_change", tool="moil", serial="T-1", material="alloyed", reason="worn"),
        event(5, "tool_change", tool="chisel", serial="T-2", reason="swapped"),
        event(9, "tool_change", tool="moil", serial="T-1", reason="broken"),
        event(12, "tool_change", tool="moil", reason="worn"),
        event(15.5, "tool_change", tool="moil"),
    ]
    found = tools.tools(hours(20, ("op-11", "op-12")), events)
    lives = [(tool.kind, tool.serial, tool.firing_h, tool.ended, tool.start_known) for tool in found]
    assert lives == [
        (None, None, 1.0, True, False),
        ("moil", "T-1", pytest.approx(1.5 + 1.5), True, True),
        ("chisel", "T-2", pytest.approx(2.0), True, True),
        ("moil", None, pytest.approx(1.75), False, True),
        ("moil", None, pytest.approx(2.25), False, True),
    ]
    assert found[-1].removed is None
    assert found[3].blows == pytest.approx(175)
    assert found[2].operator_shares() == {"op-11": 0.5, "op-12": 0.5}
    assert found[2].main_operator() == "several"
    (chisel, moil) = tools.groups(found, "type")
    assert (moil.name, moil.tools, moil.ended, moil.median.hours) == ("moil", 3, 1, 3.0)
    assert (chisel.tools, chisel.ended) == (1, 1)
    assert [tool.name for tool in tools.groups(found, "type and material")] == []


def test_a_tool_fitted_long_before_the_record_has_an_unknown_start() -> None:
    late = exposure((100.0, 101.0, 1.0, 0.5))
    (old,) = tools.tools(late, [event(70, "tool_change", tool="moil")])
    assert not old.start_known
    assert tools.groups([old], "type") == []
    (new,) = tools.tools(late, [event(80, "tool_change", tool="moil")])
    assert new.start_known


changes = st.lists(
    st.tuples(
        st.integers(0, 400),
        st.sampled_from(["HB-01", "HB-02"]),
        st.sampled_from([None, "T-1", "T-2"]),
        st.sampled_from([None, "worn", "broken", "lost", "swapped"]),
    ),
    max_size=8,
)
stretches = st.lists(
    st.tuples(st.integers(0, 399), st.integers(1, 10)), max_size=12, unique_by=lambda pair: pair[0]
)


@settings(max_examples=examples(25))
@given(changes, st.tuples(stretches, stretches))
def test_no_hour_of_firing_is_lost_or_counted_twice(
    tool_changes: list[tuple[int, str, str | None, str | None]], worked: tuple[list[tuple[int, int]], ...]
) -> None:
    events = []
    for tenth, hammer, serial, reason in tool_changes:
        fields = {"tool": "moil", "serial": serial, "reason": reason}
        recorded = {name: value for name, value in fields.items() if value is not None}
        events.append(Event(KEY[0], hammer, "tool_change", tenth * HOUR // 10, recorded))
    frames = [
        exposure(*((at / 10, (at + 1) / 10, 0.1, n / 100) for at, n in sorted(worked_here)), hammer=hammer)
        for hammer, worked_here in zip(("HB-01", "HB-02"), worked, strict=True)
    ]
    found = tools.tools(pd.concat(frames), events)
    fired = sum(n / 100 for worked_here in worked for _, n in worked_here)
    assert sum(tool.firing_h for tool in found) == pytest.approx(fired)
    assert sum(tool.blows for tool in found) == pytest.approx(100 * fired)
    assert sum(sum(tool.operators.values()) for tool in found) == pytest.approx(fired)
    assert all(sum(tool.operator_shares().values()) == pytest.approx(1) for tool in found if tool.firing_h)
    in_use = [tool.hammer for tool in found if tool.removed is None and tool.kind]
    assert len(in_use) <= 2
    serials = [tool.serial for tool in found if tool.serial]
    assert len(serials) == len(set(serials))


WORK = ("boulders", "trenching", "benching", "demolition")


def test_every_kind_of_work_has_a_tool() -> None:
    """Common practice, no published source: a chisel for a cut edge; else a harder blunt form where it is very
    abrasive; else a blunt for boulders loose and hard, and a moil for what is in place."""
    for work, hard, abrasive, edge in itertools.product(
        WORK, (True, False, None), (True, False, None), (True, False, None)
    ):
        described = {"work": work, "hard": hard, "abrasive": abrasive, "cut_edge": edge}
        expected = "chisel" if edge else "hard_blunt" if abrasive else None
        expected = expected or ("blunt" if work == "boulders" and hard is not False else "moil")
        assert advice.advise_tool(described).tool == expected
        assert advice.mismatch_note(expected, described) is None
        for fitted in advice.TOOL_NAMES.keys() - {expected}:
            note = advice.mismatch_note(fitted, described)
            assert note is not None
            assert "Common practice, no published source" in note
            assert advice.TOOL_NAMES[expected] in note
        assert advice.mismatch_note(None, described) is None
        assert advice.mismatch_note("other", described) is None
