"""Highlights are chosen by evidence, few of each kind, none unassigned; the clean stretch is the longest possible."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core.instant import SECOND
from strikewatch.review import highlights
from strikewatch.review.data.schemas import UNASSIGNED
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
