"""Rows of one instant with different channels are one reading, in whatever order and however cut they arrive."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.ordering import LAYOUT, Policy, Reorderer
from strikewatch.sources.same_instant import merge_sorted

HB: Key = ("fennick-hollow", "HB-01")
START = 1_780_000_000 * SECOND
REORDER = 2 * SECOND
STEP = SECOND // 10
CHANNELS = ("active", "pressure_bar", "oil_c", "engine_rpm")
POLICIES: tuple[Policy, ...] = ("window", "gap")

Values = dict[str, float]
Reading = tuple[Instant, Values]


def rows_of(readings: list[Reading]) -> Rows:
    """One row a reading, NaN where it has no value of a channel."""
    names = dict.fromkeys(name for _, values in readings for name in values)
    columns = {
        name: np.array([values.get(name, np.nan) for _, values in readings], np.float64) for name in names
    }
    return Rows(np.array([at for at, _ in readings], np.int64), columns)


def readings_of(rows: Rows) -> list[Reading]:
    return [
        (int(at), {name: float(c[i]) for name, c in rows.columns.items() if c[i] == c[i]})
        for i, at in enumerate(rows.time_ns)
    ]


def through(reorderer: Reorderer, lots: list[list[Reading]], again: bool = False) -> list[Reading]:
    """What is passed on of these lots in the order of their arrival, and at last of what waited."""
    parts = [reorderer.add_rows(HB, rows_of(lot), redelivered=again) for lot in lots if lot]
    return [reading for part in [*parts, reorderer.flush(HB)] for reading in readings_of(part)]


def cut(readings: list[Reading], at: set[int]) -> list[list[Reading]]:
    places = sorted({0, len(readings), *(k for k in at if k < len(readings))})
    return [readings[a:b] for a, b in pairwise(places)]


cuts = st.sets(st.integers(0, 200))


@st.composite
def split_feed(draw: st.DrawFn) -> tuple[list[Reading], list[Reading]]:
    """Whole readings of a feed, pauses among them, and its rows in the order of their arrival.

    Readings come in several rows, the first of all does, each with some channels and later by less than the window.
    """
    channels = draw(st.lists(st.sampled_from(CHANNELS), min_size=2, max_size=4, unique=True))
    # What a pause is shows only once the feed's usual step has been seen.
    steps = [1, 1, *draw(st.lists(st.sampled_from([1, 1, 1, 1, 1, 1, 2, 7, 30, 600]), max_size=30))]
    whole = [
        (START + int(k) * STEP, {name: float(n + 10 * i) for n, name in enumerate(channels)})
        for i, k in enumerate(np.cumsum(steps))
    ]
    arriving: list[tuple[Instant, Reading]] = []
    for at, values in whole:
        names = draw(st.permutations(channels))
        first = draw(st.integers(1, len(names) - (not arriving)))
        for part in (names[:first], names[first:]):
            if part:
                delay = draw(st.sampled_from([0, 1, STEP, REORDER - 1]) | st.integers(0, REORDER - 1))
                arriving.append((at + delay, (at, {name: values[name] for name in part})))
    arriving.sort(key=lambda one: one[0])
    return whole, [reading for _, reading in arriving]


@pytest.mark.parametrize("policy", POLICIES)
@given(feed=split_feed(), at=cuts)
def test_one_reading_is_one_row_whatever_the_order_and_the_cut(
    policy: Policy, feed: tuple[list[Reading], list[Reading]], at: set[int]
) -> None:
    whole, arrival = feed
    reorderer = Reorderer(policy, REORDER)
    assert through(reorderer, cut(arrival, at)) == whole
    counts = reorderer.counts()[HB]
    assert (counts.used, counts.merged) == (len(whole), len(arrival) - len(whole))
    assert (counts.duplicate, counts.late, counts.wrong_clock) == (0, 0, 0)


@pytest.mark.parametrize("policy", POLICIES)
@given(feed=split_feed(), at=cuts, again=st.booleans(), together=st.booleans())
def test_redelivered_rows_are_duplicates_row_by_row(
    policy: Policy,
    feed: tuple[list[Reading], list[Reading]],
    at: set[int],
    again: bool,
    together: bool,
) -> None:
    """Once all has passed, or each row right after itself; with other values, of which the first counts."""
    whole, arrival = feed
    repeated = [(time, {name: value + 1 for name, value in values.items()}) for time, values in arrival]
    reorderer = Reorderer(policy, REORDER)
    if together:
        pairs = [one for both in zip(arrival, repeated, strict=True) for one in both]
        assert through(reorderer, cut(pairs, at), again) == whole
    else:
        assert through(reorderer, cut(arrival, at)) == whole
        assert through(reorderer, cut(repeated, at), again) == []
    counts = reorderer.counts()[HB]
    assert (counts.used + counts.merged, counts.duplicate) == (len(arrival), len(arrival))
    assert reorderer.take_unused(HB) == []


@given(feed=split_feed(), at=cuts)
def test_a_restart_between_two_rows_of_an_instant_changes_nothing(
    feed: tuple[list[Reading], list[Reading]], at: set[int]
) -> None:
    whole, arrival = feed
    reorderer, found = Reorderer("gap", REORDER), []
    for lot in cut(arrival, at):
        found += readings_of(reorderer.add_rows(HB, rows_of(lot)))
        waiting, last, learned = reorderer.waiting(HB), reorderer.newest(HB), reorderer.saved(HB)
        reorderer = Reorderer("gap", REORDER)
        reorderer.restore(HB, last, waiting, ())
        reorderer.resume(HB, LAYOUT, learned)
    assert [*found, *readings_of(reorderer.flush(HB))] == whole


def three_tags(n: int) -> list[Reading]:
    """Each tag of `n` scans in a message of its own, in order."""
    tags = (("active", 1.0), ("pressure_bar", 150.0), ("oil_c", 60.0))
    return [(START + i * STEP, {name: value}) for i in range(n) for name, value in tags]


def test_a_split_feed_in_order_waits_for_the_last_tag_of_each_scan_and_no_longer() -> None:
    reorderer = Reorderer("gap", REORDER)
    numbers = [len(reorderer.add_rows(HB, rows_of([one]))) for one in three_tags(60)]
    assert numbers[3 * 25 :] == [0, 0, 1] * 35
    assert reorderer.counts()[HB].used == 60


def test_a_channel_after_its_instant_was_released_follows_a_nanosecond_later_or_is_late() -> None:
    """A feed of whole rows that has passed on an instant cannot take it back."""
    reorderer = Reorderer("gap", REORDER)
    whole = [(START + k * STEP, {"active": 1.0}) for k in range(40)]
    assert through(reorderer, [whole]) == whole
    newest = whole[-1][0]
    assert through(reorderer, [[(newest, {"oil_c": 60.0, "active": 0.0})]]) == [(newest + 1, {"oil_c": 60.0})]
    assert through(reorderer, [[(newest, {"pressure_bar": 150.0})]]) == [
        (newest + 2, {"pressure_bar": 150.0})
    ]
    assert through(reorderer, [[(newest - STEP, {"oil_c": 60.0})]], again=True) == []
    [(reason, late)] = reorderer.take_unused(HB)
    assert (reason, readings_of(late)) == ("late", [(newest - STEP, {"oil_c": 60.0})])
    assert through(reorderer, [[(newest, {"oil_c": 61.0}), (newest, {"pressure_bar": 1.0})]]) == []
    counts = reorderer.counts()[HB]
    assert (counts.used, counts.late, counts.duplicate) == (42, 1, 2)


def test_a_feed_with_complete_rows_no_longer_waits() -> None:
    """A tag that has gone must not hold up the rest for ever."""
    reorderer = Reorderer("gap", REORDER)
    through(reorderer, [[one] for one in three_tags(30)])
    times = [START + 10 * SECOND + k * STEP for k in range(1200)]
    numbers = [len(reorderer.add_rows(HB, rows_of([(at, {"active": 1.0})]))) for at in times]
    assert numbers[100:110] == [1] * 10, "passed on, though two seconds later"
    assert len(reorderer.waiting(HB)) == 0
    assert numbers[-50:] == [1] * 50


@given(
    st.lists(
        st.tuples(
            st.integers(0, 12), st.dictionaries(st.sampled_from(CHANNELS), st.floats(0, 9), max_size=3)
        ),
        min_size=1,
        max_size=40,
    )
)
def test_merging_in_bulk_is_merging_row_by_row(cells: list[tuple[int, Values]]) -> None:
    """The way through a sorted table against its slow twin, a dictionary."""
    readings = [(START + k, values) for k, values in sorted(cells, key=lambda one: one[0])]
    twin: dict[Instant, Values] = {}
    merged = duplicate = 0
    for at, values in readings:
        if at in twin:
            new = values.keys() - twin[at].keys()
            merged, duplicate = merged + bool(new), duplicate + (not new)
        twin[at] = {**values, **twin.get(at, {})}
    rows, *counts = merge_sorted(rows_of(readings))
    assert (readings_of(rows), counts) == (list(twin.items()), [merged, duplicate])
