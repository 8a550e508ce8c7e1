"""Highlights are chosen by evidence, few of each kind; the chart of a fault shows what the detectors found."""

import re
from html import escape
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.review import excerpt, highlights
from strikewatch.review.charts.over_time import draw_excerpt
from strikewatch.review.data.samples import ShiftSamples
from strikewatch.review.data.schemas import MISUSE, UNASSIGNED
from strikewatch.service.recorded.replay import ReplayResult, replay_shifts
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import Shift, open_shifts
from tests.guide.documents import marked
from tests.profiles import examples
from tests.review.invented import BEGIN, SITE, fleet, operators


def _faults(**columns: list[object]) -> pd.DataFrame:
    _, frame = fleet(["op-11"], weeks=1)
    n = len(next(iter(columns.values())))
    return frame.head(n).assign(fault="same_spot", **columns)


def test_the_most_extreme_and_a_typical_one_are_chosen() -> None:
    firing_s = [18.0, 16.0, 41.5, 17.0, 20.0]
    frame = _faults(id=list("abcde"), evidence=[{"firing_s": value} for value in firing_s])
    found = {highlight.id: highlight.why for highlight in highlights.choose_highlights(frame, 3)}
    assert found == {
        "c": "the longest: 41.5 s of firing in one spot",
        "a": "a typical one, near the median of 5",
        "e": "the next longest: 20.0 s of firing in one spot",
    }


def test_low_scores_are_shown_only_if_there_are_no_others() -> None:
    evidence = [
        {"score": 0.6, "blank_s": 9.0},
        {"score": 0.9, "blank_s": 2.0},
        {"score": 0.7, "blank_s": 5.0},
    ]
    frame = _faults(id=list("abc"), evidence=evidence).assign(fault="blank_firing")
    assert [highlight.id for highlight in highlights.choose_highlights(frame, 3)] == ["b"]
    unsure = frame[frame["id"] != "b"]
    assert {highlight.id for highlight in highlights.choose_highlights(unsure, 3)} == {"a", "c"}


@settings(max_examples=examples(30))
@given(st.integers(0, 5), st.integers(0, 2**31))
def test_the_number_of_each_kind_is_limited_and_unassigned_is_left_out(most: int, seed: int) -> None:
    _, frame = fleet([*operators(3), UNASSIGNED], weeks=1, seed=seed)
    found = highlights.choose_highlights(frame, most)
    counted = frame[frame["operator"] != UNASSIGNED].groupby(["operator", "fault"]).size()
    shown = pd.Series(
        [(highlight.operator, highlight.fault) for highlight in found], dtype=object
    ).value_counts()
    for pair, n in counted.items():
        assert shown.get(pair, 0) <= min(most, n)
        assert most == 0 or shown.get(pair, 0) >= 1
    assert len({highlight.id for highlight in found}) == len(found)
    assert all(highlight.operator != UNASSIGNED for highlight in found)


def test_an_operator_who_took_over_during_a_fault_did_not_begin_it() -> None:
    frame = _faults(id=["a", "b"], evidence=[{"firing_s": 20.0}] * 2, count=[1, 0])
    assert [highlight.id for highlight in highlights.choose_highlights(frame, 3)] == ["a"]


def _worked(firing_s: float = 1800.0, hours: int = 4) -> pd.DataFrame:
    exposure, _ = fleet(["op-11"], weeks=1)
    starts = [BEGIN + pd.Timedelta(hours=h) for h in range(hours)]
    return exposure.head(hours).assign(
        start=starts,
        end=[start + pd.Timedelta(hours=1) for start in starts],
        firing_s=firing_s,
        hammer="HB-01",
    )


def test_the_clean_stretch_lies_between_the_end_of_one_fault_and_the_next() -> None:
    onsets = [BEGIN + pd.Timedelta(minutes=m) for m in (30, 200)]
    frame = _faults(id=["a", "b"], onset=onsets, hammer=["HB-01"] * 2).assign(
        cleared=[onset + pd.Timedelta(minutes=10) for onset in onsets]
    )
    clean = highlights.longest_clean_stretches(_worked(), frame)["op-11"]
    start = int(BEGIN.as_unit("ns").value)
    assert (clean.begin - start, clean.end - start) == (40 * 60 * SECOND, 200 * 60 * SECOND)
    assert np.isclose(clean.firing_s, 160 / 60 * 1800)
    assert (clean.site, clean.hammer) == (SITE, "HB-01")


def test_no_clean_stretch_follows_an_active_fault() -> None:
    frame = _faults(id=["a"], onset=[BEGIN + pd.Timedelta(minutes=60)], hammer=["HB-01"], cleared=[pd.NaT])
    clean = highlights.longest_clean_stretches(
        _worked(), frame.assign(cleared=pd.to_datetime(frame["cleared"], utc=True))
    )["op-11"]
    assert clean.end - clean.begin == 3600 * SECOND


@settings(max_examples=examples(25))
@given(st.integers(0, 2**31))
def test_no_fault_overlaps_a_clean_stretch(seed: int) -> None:
    exposure, frame = fleet(operators(2), weeks=1, seed=seed)
    for operator, clean in highlights.longest_clean_stretches(exposure, frame).items():
        rows = frame[(frame["operator"] == operator) & (frame["hammer"] == clean.hammer)]
        onset, cleared = (rows[name].dt.as_unit("ns").astype("int64") for name in ("onset", "cleared"))
        assert not ((onset < clean.end) & (cleared > clean.begin)).any()
        assert clean.firing_s > 0


TOP = Path(__file__).parents[2]
SHIFT = TOP / "replay_data" / "hot-bench"


@pytest.fixture(scope="module")
def replayed() -> tuple[list[Shift], ReplayResult, ShiftSamples]:
    shifts = open_shifts(SHIFT)
    result = replay_shifts(shifts, load().of_hammer)
    return shifts, result, ShiftSamples(shifts, result.steps)


def test_the_spot_reaches_its_limit_at_the_onset(
    replayed: tuple[list[Shift], ReplayResult, ShiftSamples],
) -> None:
    _, result, recorded = replayed
    settings = load().of_hammer(("fennick-hollow", "HB-01"))
    spots = [record for record in result.records if record["fault"] == "same_spot"]
    assert len(spots) > 20
    for record in spots[::5]:
        onset, cleared = (instant.parse(record[name]) for name in ("onset", "cleared"))
        key = record["site"], record["hammer"]
        shown_excerpt = excerpt.fault_excerpt(recorded, key, settings, "spot", "same_spot", onset, cleared)
        assert shown_excerpt is not None
        at, spot_s = shown_excerpt.spot_s
        inside = (at > onset) & (at <= cleared)
        # firing in the spot reaches the limit at the onset, and the bouts are those of the replay
        assert np.interp(onset, at, np.nan_to_num(spot_s)) == pytest.approx(15.0, abs=1.0)
        assert (spot_s[inside & np.isfinite(spot_s)] >= 15.0).all()
        assert shown_excerpt.fired == [
            (max(a, shown_excerpt.begin), min(b, shown_excerpt.end))
            for a, b, _ in recorded.levels(key, shown_excerpt.begin, shown_excerpt.end)
        ]
        assert len(shown_excerpt.pressure_bar[0]) > 400


def test_without_samples_there_is_no_chart(replayed: tuple[list[Shift], ReplayResult, ShiftSamples]) -> None:
    _, _, recorded = replayed
    settings = load().of_hammer(("fennick-hollow", "HB-01"))
    long_ago = instant.parse("2020-01-01T00:00:00Z")
    key = "fennick-hollow", "HB-01"
    assert excerpt.fault_excerpt(recorded, key, settings, "spot", "same_spot", long_ago, None) is None
    assert excerpt.timeline(recorded, key, settings, long_ago, long_ago + SECOND) is None
    assert recorded.find_recording(key, long_ago) is None


def test_place_returns_the_shift_with_the_samples(
    replayed: tuple[list[Shift], ReplayResult, ShiftSamples],
) -> None:
    _, result, recorded = replayed
    record = result.records[0]
    assert (
        recorded.find_recording((record["site"], record["hammer"]), instant.parse(record["onset"])) == SHIFT
    )


def test_the_example_of_the_guide_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(TOP)
    exec(marked("trainer.md", "review"), {})
    printed = capsys.readouterr().out
    assert re.search(r"op-12 +same_spot +44 ", printed)


def test_misuse_is_shown_with_its_channels_and_limits() -> None:
    """Every cause of a misuse alert has a panel with limits, whose values agree with the evidence."""
    folder = SHIFT.parent / "full-bench"
    settings = load(folder / "settings.toml")
    shifts = open_shifts(folder)
    result = replay_shifts(shifts, settings.of_hammer)
    recorded = ShiftSamples(shifts, result.steps)
    extremes = {
        "off_square": "tilt_max_deg",
        "over_side": "from_track_max_deg",
        "prying": "side_load_max_bar",
    }
    causes_shown = set()
    for record in (record for record in result.records if record["fault"] in MISUSE and record["cleared"]):
        key = record["site"], record["hammer"]
        causes = record["evidence"].get("causes", record["fault"]).split()
        onset, cleared = (instant.parse(record[name]) for name in ("onset", "cleared"))
        shown_excerpt = excerpt.fault_excerpt(
            recorded, key, settings.of_hammer(key), "x", record["fault"], onset, cleared, (), causes
        )
        assert shown_excerpt is not None
        assert len(shown_excerpt.panels) == len(causes)
        for cause, panel in zip(causes, shown_excerpt.panels, strict=True):
            assert panel.limits
            if cause in extremes:
                values = np.concatenate([values for _, values in panel.series])
                assert values.max() >= record["evidence"][extremes[cause]] - 0.1
            causes_shown.add(cause)
        drawn = draw_excerpt("x", shown_excerpt, ZoneInfo("UTC"))
        assert all(escape(panel.name) in drawn for panel in shown_excerpt.panels)
    assert causes_shown >= {*extremes, "low_engine_speed", "end_of_stroke", "feed_force"}
