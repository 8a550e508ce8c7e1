"""Charts are well-formed SVG for any numbers: unique ids, no NaN or infinity drawn, all texts within the drawing."""

import re
from collections.abc import Callable
from itertools import pairwise
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from strikewatch.core.batch import Floats
from strikewatch.core.instant import SECOND
from strikewatch.review.charts import style
from strikewatch.review.charts.drawing import (
    Drawing,
    Scale,
    Standing,
    shorten,
    spread_labels,
    time_ticks,
    trace,
)
from strikewatch.review.charts.operators import Funnel, Intervals, draw_funnel, draw_intervals
from strikewatch.review.charts.over_time import Excerpt, Mark, Timeline, draw_excerpt, draw_timeline
from strikewatch.review.charts.series import Mean, ProgressPanel, Talk, draw_progress, draw_readings
from strikewatch.review.statistics.lifetimes import fit_trend
from tests.profiles import examples

UTC = ZoneInfo("UTC")
BEGIN = 1_784_027_227 * SECOND
NUMBERS = st.floats(0, 1e4) | st.just(float("nan"))
NAMES = st.text(st.characters(exclude_categories=["C"]), min_size=1, max_size=40)
STANDINGS: list[Standing] = ["above", "below", "within", "little"]
STYLED = {*re.findall(r"\.([a-z-]+)", style()), "within"}
_SVG = "{http://www.w3.org/2000/svg}"


def series(n: int) -> st.SearchStrategy[Floats]:
    return arrays(np.float64, n, elements=NUMBERS)


@st.composite
def excerpts(draw: st.DrawFn) -> str:
    n = draw(st.integers(0, 40))
    at = BEGIN + np.sort(draw(arrays(np.int64, n, elements=st.integers(0, 60)))) * SECOND
    spans = draw(st.lists(st.tuples(st.integers(-5, 65), st.integers(0, 30)), max_size=5))
    bouts = [(BEGIN + a * SECOND, BEGIN + (a + b) * SECOND) for a, b in spans]
    onset = BEGIN + draw(st.integers(0, 60)) * SECOND
    cleared = draw(st.none() | st.integers(0, 90).map(lambda s: onset + s * SECOND))
    values = [(at, draw(series(n))) for _ in range(3)]
    shown = Excerpt(
        BEGIN,
        BEGIN + 60 * SECOND,
        draw(NAMES),
        onset,
        cleared,
        bouts,
        values[0],
        [(*bout, draw(NUMBERS)) for bout in bouts],
        values[1],
        values[2],
        suspected=bouts[:1],
    )
    return draw_excerpt("it", shown, UTC)


@st.composite
def funnels(draw: st.DrawFn) -> str:
    n, m = draw(st.integers(0, 12)), draw(st.integers(0, 8))
    rate = np.nan_to_num(draw(series(n)))
    at_h = np.sort(np.nan_to_num(draw(series(m))))
    limits = [(draw(series(m)), draw(series(m))) for _ in range(2)]
    standing = draw(st.lists(st.sampled_from(STANDINGS), min_size=n, max_size=n))
    names = draw(st.lists(NAMES, min_size=n, max_size=n))
    hours = np.nan_to_num(draw(series(n)))
    shown = Funnel(names, hours, rate, standing, draw(st.floats(0, 50)), at_h, limits[0], limits[1])
    return draw_funnel("it", shown, draw(NAMES))


@st.composite
def progress_charts(draw: st.DrawFn) -> str:
    n = draw(st.integers(0, 60))
    weeks = draw(st.lists(st.text("0123456789 May", min_size=1, max_size=6), min_size=n, max_size=n))
    at = st.floats(-3, 70)
    means = st.lists(st.builds(Mean, at, at, st.floats(0, 1e4)), max_size=2)
    talks = st.lists(st.builds(Talk, at, st.sampled_from(["1 Jun", "28 Sep"]), means), max_size=3)
    panel = st.builds(
        ProgressPanel,
        NAMES,
        *(series(n) for _ in range(3)),
        NUMBERS,
        arrays(np.bool_, n),
        talks,
        st.sampled_from(["", "5.35 → 1.7 an hour"]),
    )
    return draw_progress("it", weeks, draw(st.lists(panel, max_size=5)), draw(NAMES))


@st.composite
def interval_rows(draw: st.DrawFn) -> str:
    n = draw(st.integers(0, 12))
    names = draw(st.lists(NAMES, min_size=n, max_size=n))
    standing = draw(st.lists(st.sampled_from(STANDINGS), min_size=n, max_size=n))
    four = [draw(series(n)) for _ in range(4)]
    shown = Intervals(names, four[0], four[1], four[2], four[3], standing, draw(NUMBERS))
    return draw_intervals("it", shown, draw(NAMES))


@st.composite
def timelines(draw: st.DrawFn) -> str:
    n = draw(st.integers(0, 30))
    hours = draw(st.integers(1, 30))
    at = BEGIN + np.sort(draw(arrays(np.int64, n, elements=st.integers(0, 3600 * hours)))) * SECOND
    spans = draw(st.lists(st.tuples(st.integers(-600, 9000), st.integers(0, 3000)), max_size=6))
    bouts = [(BEGIN + a * SECOND, BEGIN + (a + b) * SECOND) for a, b in spans]
    marks = [Mark(a, "high", draw(NAMES)) for a, _ in bouts]
    shown = Timeline(
        BEGIN, BEGIN + hours * 3600 * SECOND, bouts, (at, draw(series(n))), 80.0, marks, bouts[:2]
    )
    return draw_timeline("it", shown, draw(NAMES), UTC)


@st.composite
def wear_trends(draw: st.DrawFn) -> str:
    pairs = draw(st.lists(st.tuples(st.integers(0, 5000), st.floats(1, 2000)), min_size=3, max_size=12))
    pairs.sort()
    trend = fit_trend([float(hour) for hour, _ in pairs], [value for _, value in pairs])
    assume(trend is not None)
    assert trend is not None
    limit = draw(st.none() | st.floats(1, 2000))
    meeting = None if limit is None else trend.crossing(limit, falling=draw(st.booleans()))
    now = pairs[-1][0] + draw(st.floats(0, 500))
    return draw_readings("it", pairs, now, trend, limit, meeting, draw(NAMES))


@pytest.mark.parametrize(
    "charts", [excerpts, funnels, progress_charts, interval_rows, timelines, wear_trends]
)
def test_charts_are_valid_for_any_numbers(charts: Callable[[], st.SearchStrategy[str]]) -> None:
    @settings(max_examples=examples(30))
    @given(charts())
    def holds(svg: str) -> None:
        root = ElementTree.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
        ids = [element.get("id") for element in root.iter() if element.get("id")]
        assert ids == ["it-t", "it-d"]
        assert root.get("role") == "img"
        named = {root.get("aria-labelledby"), root.get("aria-describedby")}
        assert named == set(ids)
        _, _, width, height = map(float, (root.get("viewBox") or "").split())
        for element in root.iter():
            assert element.get("style") is None
            # a class without a rule would be black in dark mode
            assert set(element.get("class", "picture").split()) <= STYLED
            for name in ("d", "x", "y", "width", "height", "transform"):
                assert not re.search("nan|inf", element.get(name, ""))
            if element.tag == f"{_SVG}text":
                assert 0 <= float(element.get("x", "-1")) <= width
                assert 0 <= float(element.get("y", "-1")) <= height

    holds()


@given(NAMES, NAMES)
def test_different_names_give_different_ids(name: str, other_name: str) -> None:
    first, second = (
        re.findall(r'id="([^"]+)"', Drawing(ident, 10, "t", "d").svg()) for ident in (name, other_name)
    )
    assert set(first).isdisjoint(second) == (name != other_name)
    assert all(re.fullmatch(r"[A-Za-z0-9_-]+", ident) for ident in (*first, *second))


@given(st.lists(st.floats(-50, 350), max_size=40))
def test_labels_are_apart_in_order_and_within_bounds(positions: list[float]) -> None:
    placed = spread_labels(positions, 12.0, 20.0, 220.0)
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    room = min(12.0, 200.0 / max(1, len(positions) - 1))
    assert all(placed[b] - placed[a] >= room - 1e-6 for a, b in pairwise(order))
    assert all(20.0 - 1e-6 <= y <= 220.0 + 1e-6 for y in placed)


def test_labels_stay_where_they_have_room() -> None:
    assert spread_labels([100.0, 30.0, 60.0], 12.0, 20.0, 220.0) == [100.0, 30.0, 60.0]


@given(st.integers(0, 5000), st.integers(0, 2**32 - 1))
def test_thinning_keeps_every_spike(n: int, seed: int) -> None:
    """The highest and lowest of all points are drawn, also if many share a unit of width."""
    y = np.random.default_rng(seed).normal(100, 30, n)
    outline = trace(np.linspace(0, 300, n), y, 400)
    drawn = [float(pair.split(",")[1]) for pair in re.findall(r"[ML]([^ML]+)", outline)]
    assert len(drawn) <= max(2 * 301, 0)
    if n:
        assert max(drawn) == pytest.approx(y.max(), abs=0.06)
        assert min(drawn) == pytest.approx(y.min(), abs=0.06)
        assert outline.count("M") == 1
    else:
        assert outline == ""


def test_a_trace_has_gaps_over_unknown_values() -> None:
    x, y = np.arange(6.0), np.array([1.0, 2.0, np.nan, np.nan, 5.0, 6.0])
    assert trace(x, y, 1.5) == "M0,1L1,2M4,5L5,6"
    assert trace(x, y, 10) == "M0,1L1,2L4,5L5,6"


@given(st.floats(0, 1e6), st.floats(1e-3, 1e6), st.integers(2, 8))
def test_ticks_are_round_and_few(low: float, width: float, most: int) -> None:
    ticks = Scale(low, low + width, 0, 1).ticks(most)
    assert len(ticks) <= most + 1
    assert all(low - 1e-6 * width <= tick <= low + width * 1.000001 for tick in ticks)


def test_time_ticks_are_round_in_local_time() -> None:
    """06:30 in UTC is noon in Kolkata, whose offset has half an hour."""
    noon = 1_784_010_600 * SECOND
    ticks = time_ticks(noon - 1800 * SECOND, noon + 5400 * SECOND, ZoneInfo("Asia/Kolkata"), 3)
    assert [words for _, words in ticks] == ["12:00", "13:00"]
    assert ticks[0][0] == noon


@given(st.text(max_size=60), st.integers(4, 30))
def test_long_names_are_shortened_in_the_middle(name: str, letters: int) -> None:
    cut = shorten(name, letters)
    assert len(cut) <= max(letters, 0)
    assert cut == name or (cut[0] == name[0] and "…" in cut)


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1, 2], ids=["light", "dark", "printed"])
def test_contrast_meets_wcag(scheme: int) -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11: texts 4.5 to 1, graphics 3 to 1 (black on white is 21 to 1)."""
    assert (_luminance("#ffffff") + 0.05) / (_luminance("#000000") + 0.05) == pytest.approx(21)
    block = re.findall(r":root \{([^}]*)\}", style())[scheme]
    colours = dict(re.findall(r"--p-([a-z]+): (#[0-9a-f]{6})", block))
    texts, graphics = ("ink", "soft"), ("blue", "orange", "green", "purple")
    for behind in ("ground", "panel", "shade"):
        for name in (*texts, *graphics):
            light, dark = sorted((_luminance(colours[name]), _luminance(colours[behind])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= (4.5 if name in texts else 3.0), (name, behind)
