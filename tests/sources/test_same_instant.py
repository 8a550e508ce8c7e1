"""Rows of one instant with different channels become one row, whatever the order and the cuts."""

from itertools import pairwise
from typing import TypeVar

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

T = TypeVar("T")
Values = dict[str, float]
Reading = tuple[Instant, Values]


def rows_of(readings: list[Reading]) -> Rows:
    """Return one row per reading, NaN where it has no value of a channel."""
    names = dict.fromkeys(name for _, values in readings for name in values)
    columns = {
        name: np.array([values.get(name, np.nan) for _, values in readings], np.float64) for name in names
    }
    return Rows(np.array([at for at, _ in readings], np.int64), columns)


def readings_of(rows: Rows) -> list[Reading]:
    """Return the sampled values of each row, by channel in alphabetical order."""
    return [
        (int(at), {name: float(c[i]) for name, c in sorted(rows.columns.items()) if c[i] == c[i]})
        for i, at in enumerate(rows.time_ns)
    ]


def released(reorderer: Reorderer, batches: list[list[Reading]], again: bool = False) -> list[Reading]:
    """Return the readings released from batches in order of arrival, and at last those still waiting."""
    parts = [reorderer.add_rows(HB, rows_of(batch), redelivered=again) for batch in batches if batch]
    return [reading for part in [*parts, reorderer.flush(HB)] for reading in readings_of(part)]


def cut(items: list[T], at: set[int]) -> list[list[T]]:
    """Cut a list at these indices."""
    places = sorted({0, len(items), *(k for k in at if k < len(items))})
    return [items[a:b] for a, b in pairwise(places)]


cuts = st.sets(st.integers(0, 200))


@st.composite
def split_feed(draw: st.DrawFn) -> tuple[list[Reading], list[Reading]]:
    """Draw the readings of a feed with pauses, and its rows in order of arrival.

    Readings, always including the first, come in several rows, each delayed by less than the window; those of the first
    three, from which the usual step is learned, are not delayed.
    """
    channels = draw(st.lists(st.sampled_from(CHANNELS), min_size=2, max_size=4, unique=True))
    # A pause can be recognised only after the usual step of the feed is known.
    steps = [1, 1, *draw(st.lists(st.sampled_from([1, 1, 1, 1, 1, 1, 2, 7, 30, 600]), max_size=30))]
    whole = [
        (START + int(k) * STEP, {name: float(n + 10 * i) for n, name in enumerate(channels)})
        for i, k in enumerate(np.cumsum(steps))
    ]
    arriving: list[tuple[Instant, Reading]] = []
    for number, (at, values) in enumerate(whole):
        names = draw(st.permutations(channels))
        first = draw(st.integers(1, len(names) - (not arriving)))
        for part in (names[:first], names[first:]):
            if part:
                delays = st.sampled_from([0, 1, STEP, REORDER - 1]) | st.integers(0, REORDER - 1)
                delay = draw(delays) if number >= 3 else 0
                arriving.append((at + delay, (at, {name: values[name] for name in part})))
    arriving.sort(key=lambda item: item[0])
    return whole, [reading for _, reading in arriving]


@pytest.mark.parametrize("policy", POLICIES)
@given(feed=split_feed(), at=cuts)
def test_each_reading_is_released_as_one_row(
    policy: Policy, feed: tuple[list[Reading], list[Reading]], at: set[int]
) -> None:
    whole, arrival = feed
    reorderer = Reorderer(policy, REORDER)
    assert released(reorderer, cut(arrival, at)) == whole
    counts = reorderer.counts()[HB]
    assert (counts.used, counts.merged) == (len(whole), len(arrival) - len(whole))
    assert (counts.duplicate, counts.late, counts.wrong_clock) == (0, 0, 0)


@pytest.mark.parametrize("policy", POLICIES)
@given(feed=split_feed(), at=cuts, again=st.booleans(), together=st.booleans())
def test_each_redelivered_row_is_a_duplicate(
    policy: Policy,
    feed: tuple[list[Reading], list[Reading]],
    at: set[int],
    again: bool,
    together: bool,
) -> None:
    """After all others or right after the original; of differing values the first counts."""
    whole, arrival = feed
    repeated = [(time, {name: value + 1 for name, value in values.items()}) for time, values in arrival]
    reorderer = Reorderer(policy, REORDER)
    if together:
        pairs = [reading for pair in zip(arrival, repeated, strict=True) for reading in pair]
        assert released(reorderer, cut(pairs, at), again) == whole
    else:
        assert released(reorderer, cut(arrival, at)) == whole
        assert released(reorderer, cut(repeated, at), again) == []
    counts = reorderer.counts()[HB]
    assert (counts.used + counts.merged, counts.duplicate) == (len(arrival), len(arrival))
    assert reorderer.take_unused(HB) == []


@given(feed=split_feed(), at=cuts)
def test_a_restart_between_two_rows_of_an_instant_changes_nothing(
    feed: tuple[list[Reading], list[Reading]], at: set[int]
) -> None:
    whole, arrival = feed
    reorderer, found = Reorderer("gap", REORDER), []
    for batch in cut(arrival, at):
        found += readings_of(reorderer.add_rows(HB, rows_of(batch)))
        waiting, last, learned = reorderer.waiting(HB), reorderer.newest(HB), reorderer.saved(HB)
        reorderer = Reorderer("gap", REORDER)
        reorderer.restore(HB, last, waiting, ())
        reorderer.resume(HB, LAYOUT, learned)
    assert [*found, *readings_of(reorderer.flush(HB))] == whole


def three_tags(n: int) -> list[Reading]:
    """Return `n` scans with each tag in its own message, in order."""
    tags = (("active", 1.0), ("pressure_bar", 150.0), ("oil_c", 60.0))
    return [(START + i * STEP, {name: value}) for i in range(n) for name, value in tags]


def test_a_split_feed_in_order_waits_for_the_last_tag_of_each_scan_and_no_longer() -> None:
    reorderer = Reorderer("gap", REORDER)
    numbers = [len(reorderer.add_rows(HB, rows_of([tag]))) for tag in three_tags(60)]
    assert numbers[3 * 25 :] == [0, 0, 1] * 35
    assert reorderer.counts()[HB].used == 60


def test_a_channel_of_a_released_instant_follows_a_nanosecond_later_or_is_late() -> None:
    """An instant that was released cannot be changed."""
    reorderer = Reorderer("gap", REORDER)
    whole = [(START + k * STEP, {"active": 1.0}) for k in range(40)]
    assert released(reorderer, [whole]) == whole
    newest = whole[-1][0]
    assert released(reorderer, [[(newest, {"oil_c": 60.0, "active": 0.0})]]) == [
        (newest + 1, {"oil_c": 60.0})
    ]
    assert released(reorderer, [[(newest, {"pressure_bar": 150.0})]]) == [
        (newest + 2, {"pressure_bar": 150.0})
    ]
    assert released(reorderer, [[(newest - STEP, {"oil_c": 60.0})]], again=True) == []
    [(reason, late)] = reorderer.take_unused(HB)
    assert (reason, readings_of(late)) == ("late", [(newest - STEP, {"oil_c": 60.0})])
    assert released(reorderer, [[(newest, {"oil_c": 61.0}), (newest, {"pressure_bar": 1.0})]]) == []
    counts = reorderer.counts()[HB]
    assert (counts.used, counts.late, counts.duplicate) == (42, 1, 2)


def test_a_feed_with_complete_rows_no_longer_waits() -> None:
    """A tag that is no longer sent must not delay the others for ever."""
    reorderer = Reorderer("gap", REORDER)
    released(reorderer, [[tag] for tag in three_tags(30)])
    times = [START + 10 * SECOND + k * STEP for k in range(1200)]
    numbers = [len(reorderer.add_rows(HB, rows_of([(at, {"active": 1.0})]))) for at in times]
    assert numbers[100:110] == [1] * 10, "released two seconds later"
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
def test_merging_in_bulk_equals_merging_row_by_row(cells: list[tuple[int, Values]]) -> None:
    """Against a slow twin with a dictionary."""
    readings = [(START + k, values) for k, values in sorted(cells, key=lambda item: item[0])]
    twin: dict[Instant, Values] = {}
    merged = duplicate = 0
    for at, values in readings:
        if at in twin:
            new = values.keys() - twin[at].keys()
            merged, duplicate = merged + bool(new), duplicate + (not new)
        twin[at] = {**values, **twin.get(at, {})}
    rows, *counts = merge_sorted(rows_of(readings))
    assert (readings_of(rows), counts) == (list(twin.items()), [merged, duplicate])
