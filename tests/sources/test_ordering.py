"""Reorderer: rows in any order are released in event time, each instant once, and every other row is counted."""

import weakref
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import NO_ROWS, Rows
from strikewatch.core.events import Event, reference_to
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.hammer_buffer import HammerBuffer
from strikewatch.sources.ordering import LAYOUT, NEVER, Policy, Reorderer
from tests.sources.test_same_instant import HB, POLICIES, REORDER, START, STEP, cut


def rows(times: Sequence[Instant]) -> Rows:
    """Return rows with their index in `times` as pressure."""
    return Rows(np.array(times, np.int64), {"pressure_bar": np.arange(len(times), dtype=np.float64)})


def released(reorderer: Reorderer, batches: Sequence[Sequence[Instant]]) -> list[Instant]:
    """Return the times released from batches in order of arrival, and at last those still waiting."""
    out = [reorderer.add_rows(HB, rows(batch)).time_ns for batch in batches]
    return [int(at) for part in [*out, reorderer.flush(HB).time_ns] for at in part]


cuts = st.sets(st.integers(0, 80))
# Steps forwards and back: ties, the usual step, gaps, and steps beyond which a clock counts as wrong.
any_times = st.lists(
    st.sampled_from(
        [0, 1, STEP, STEP, STEP, 3 * STEP, SECOND, REORDER, 60 * SECOND, 601 * SECOND, 4000 * SECOND]
    )
    | st.integers(0, 5000 * SECOND),
    max_size=60,
).flatmap(
    lambda steps: st.lists(st.sampled_from([1, 1, 1, -1]), min_size=len(steps), max_size=len(steps)).map(
        lambda signs: [
            START + int(at) for at in np.cumsum([a * b for a, b in zip(steps, signs, strict=True)])
        ]
    )
)


@pytest.mark.parametrize("policy", POLICIES)
@given(times=any_times, at=cuts, restart=st.booleans())
def test_released_rows_increase_strictly_and_every_row_is_counted(
    policy: Policy, times: list[Instant], at: set[int], restart: bool
) -> None:
    """Rows are used, duplicate, late, of a wrong clock, or waiting, also after a restart.

    Each row that is not used, except duplicates, is handed back with its reason.
    """
    reorderer = Reorderer(policy, REORDER)
    out: list[Instant] = []
    arrived = used = refused = handed = 0
    for batch in cut(times, at):
        out += reorderer.add_rows(HB, rows(batch)).time_ns.tolist()
        arrived += len(batch)
        handed += sum(len(found) for _, found in reorderer.take_unused(HB)) if batch else 0
        if restart and batch and policy == "gap":
            before = reorderer.counts()[HB]
            used += before.used
            refused += before.duplicate + before.late + before.wrong_clock
            handed += before.duplicate
            waiting, last = reorderer.waiting(HB), reorderer.newest(HB)
            reorderer = Reorderer(policy, REORDER)
            reorderer.restore(HB, last, waiting, ())
        if batch:
            counts = reorderer.counts()[HB]
            known = counts.used + counts.duplicate + counts.late + counts.wrong_clock
            assert used + refused + known + len(reorderer.waiting(HB)) == arrived
    out += reorderer.flush(HB).time_ns.tolist()
    assert all(a < b for a, b in pairwise(out))
    assert set(out) <= set(times)
    counts = reorderer.counts()[HB]
    assert used + counts.used == len(out)
    assert handed + counts.duplicate == arrived - len(out)


@st.composite
def shuffled(draw: st.DrawFn) -> tuple[list[Instant], list[Instant]]:
    """Draw an even feed with gaps, and its rows in order of arrival, each delayed by less than the window."""
    holes = draw(st.lists(st.tuples(st.integers(3, 12), st.integers(2, 100)), max_size=4))
    grid = [0, 1, 2, 3]
    for run, gap in holes:
        grid += range(grid[-1] + gap, grid[-1] + gap + run)
    times = [START + k * STEP for k in grid]
    delays = [0] * 3 + [
        draw(st.sampled_from([0, 0, STEP, 5 * STEP]) | st.integers(0, REORDER - 1)) for _ in grid[3:]
    ]
    order = sorted(range(len(times)), key=lambda k: times[k] + delays[k])
    return times, [times[k] for k in order]


@pytest.mark.parametrize("policy", POLICIES)
@given(feed=shuffled(), at=cuts)
def test_rows_delayed_within_the_window_are_released_in_order(
    policy: Policy, feed: tuple[list[Instant], list[Instant]], at: set[int]
) -> None:
    in_order, arrival = feed
    reorderer = Reorderer(policy, REORDER)
    assert released(reorderer, cut(arrival, at)) == in_order
    assert reorderer.counts()[HB].late == 0


@pytest.mark.parametrize("policy", POLICIES)
@given(times=any_times, at=cuts)
def test_rows_added_as_sorted_are_released_like_others(
    policy: Policy, times: list[Instant], at: set[int]
) -> None:
    """The same rows after each batch, and the same counts at the end; what waited comes apart and first."""
    plain, sorted_too = Reorderer(policy, REORDER), Reorderer(policy, REORDER)
    for batch in cut(times, at):
        added = rows(batch)
        steps = np.diff(added.time_ns)
        expected = plain.add_rows(HB, added)
        if len(added) and steps.min(initial=1) > 0:
            parts = list(sorted_too.add_sorted_rows(HB, added, int(steps.max(initial=0))))
        else:
            parts = [sorted_too.add_rows(HB, added)]
        found = Rows.join([NO_ROWS, *parts])
        assert found.time_ns.tolist() == expected.time_ns.tolist()
        if len(expected):
            assert found.columns["pressure_bar"].tolist() == expected.columns["pressure_bar"].tolist()
        assert sorted_too.newest(HB) == plain.newest(HB)
    assert sorted_too.counts() == plain.counts()
    assert sorted_too.flush(HB).time_ns.tolist() == plain.flush(HB).time_ns.tolist()
    assert sorted_too.released(HB) == plain.released(HB)
    if policy != "window":  # it has no use for the usual step, which goes by the parts that were released
        assert sorted_too.saved(HB) == plain.saved(HB)


@pytest.mark.parametrize("policy", ["in_order", "window"])
def test_rows_released_or_waiting_keep_no_large_piece_in_memory(policy: Policy) -> None:
    """The newest are remembered; with hundreds of hammers, whole pieces would take gigabytes."""
    reorderer = Reorderer(policy, REORDER)
    for number in range(3):
        time_ns = START + (number * 50_000 + np.arange(50_000)) * STEP
        pressure = np.zeros(50_000)
        arrays = [weakref.ref(time_ns), weakref.ref(pressure)]
        assert len(list(reorderer.add_sorted_rows(HB, Rows(time_ns, {"pressure_bar": pressure}), STEP))) > 0
        del time_ns, pressure
        assert all(array() is None for array in arrays)


@pytest.mark.parametrize("policy", POLICIES)
@given(
    n=st.integers(4, 40),
    place=st.integers(0, 40),
    ahead_s=st.integers(601, 10**6),
    at=cuts,
)
def test_a_row_far_ahead_does_not_make_its_followers_late(
    policy: Policy, n: int, place: int, ahead_s: int, at: set[int]
) -> None:
    """In a batch of its own or with others."""
    good = [START + k * STEP for k in range(n)]
    place = 1 + place % (n - 1)
    wrong = good[place] + ahead_s * SECOND
    reorderer = Reorderer(policy, REORDER)
    assert released(reorderer, cut([*good[:place], wrong, *good[place:]], at)) == good
    counts = reorderer.counts()[HB]
    assert (counts.used, counts.wrong_clock, counts.late) == (n, 1, 0)


def test_a_row_far_ahead_still_waits_after_a_restart() -> None:
    good = [START + k * STEP for k in range(9)]
    before, after = Reorderer("gap", REORDER), Reorderer("gap", REORDER)
    out = [*before.add_rows(HB, rows([*good[:5], good[6], good[6] + 3600 * SECOND])).time_ns]
    after.restore(HB, before.newest(HB), before.waiting(HB), ())
    assert out + released(after, [good[5:6], good[7:]]) == good
    assert after.counts()[HB].wrong_clock == 1


def test_rows_far_ahead_that_continue_are_a_long_pause() -> None:
    for policy in POLICIES:
        reorderer = Reorderer(policy, REORDER)
        times = [START + k * STEP for k in range(10)]
        times += [START + 3600 * SECOND + k * SECOND for k in range(100)]
        assert released(reorderer, [[at] for at in times]) == times


def test_without_a_gap_nothing_waits() -> None:
    """A row in order is released at once; a row after a gap when the gap fills."""
    reorderer = Reorderer("gap", REORDER)
    learned = [START + k * STEP for k in range(40)]
    assert len(reorderer.add_rows(HB, rows(learned))) + len(reorderer.flush(HB)) == 40
    at = learned[-1]
    for k in range(1, 10):
        assert reorderer.add_rows(HB, rows([at + k * STEP])).time_ns.tolist() == [at + k * STEP]
    at += 9 * STEP
    assert len(reorderer.add_rows(HB, rows([at + 2 * STEP]))) == 0
    assert reorderer.waiting_hammers == [HB]
    assert reorderer.add_rows(HB, rows([at + STEP])).time_ns.tolist() == [at + STEP, at + 2 * STEP]
    assert reorderer.waiting_hammers == []


@given(
    jitter=st.lists(st.integers(-STEP // 10, STEP // 10), min_size=3, max_size=3),
    channel=st.sampled_from(["active", "pressure_bar"]),
    together=st.booleans(),
    restart=st.sampled_from([None, 1, 2, 3, 4]),
)
def test_rows_of_a_new_hammer_wait_until_three_are_evenly_apart(
    jitter: list[int], channel: str, together: bool, restart: int | None
) -> None:
    """Then it has a usual step, which is kept over a restart; the allowed lateness is not waited for."""
    reorderer = Reorderer("gap", REORDER)
    times = [START + k * STEP + jitter[k] for k in range(3)] + [START + k * STEP for k in range(3, 9)]
    counts = []
    for k, batch in enumerate([times] if together else [[at] for at in times]):
        if k == restart:
            waiting, last, learned = reorderer.waiting(HB), reorderer.newest(HB), reorderer.saved(HB)
            reorderer = Reorderer("gap", REORDER)
            reorderer.restore(HB, last, waiting, ())
            reorderer.resume(HB, LAYOUT, learned)
        counts.append(len(reorderer.add_rows(HB, Rows(np.array(batch), {channel: np.ones(len(batch))}))))
    assert counts == ([9] if together else [0, 0, 3, 1, 1, 1, 1, 1, 1])
    assert reorderer.waiting_hammers == []


def test_a_new_hammer_with_uneven_rows_waits_for_its_stragglers() -> None:
    reorderer = Reorderer("gap", REORDER)
    order = [0, 2, 1, 3, 4]
    out = [reorderer.add_rows(HB, rows([START + k * STEP])).time_ns.tolist() for k in order]
    assert [len(part) for part in out] == [0, 0, 3, 1, 1]
    assert reorderer.counts()[HB].late == 0


def test_after_a_gap_a_row_waits_at_most_the_allowed_lateness() -> None:
    reorderer = Reorderer("gap", REORDER)
    reorderer.add_rows(HB, rows([START + k * STEP for k in range(40)]))
    reorderer.flush(HB)
    after_gap = [START + 10 * SECOND + k * STEP for k in range(21)]
    assert [len(reorderer.add_rows(HB, rows([at]))) for at in after_gap] == [0] * 20 + [21]


@given(
    spans=st.lists(
        st.tuples(st.integers(1, 150), st.sampled_from([STEP, 2 * STEP, SECOND, REORDER, 60 * SECOND])),
        min_size=1,
        max_size=6,
    )
)
def test_a_long_message_is_released_as_row_by_row(spans: list[tuple[int, int]]) -> None:
    """It has spans of rows in order with a gap, or another step, before each."""
    steps = [step for n, gap in spans for step in [gap, *[STEP] * n]]
    times = [START + int(at) for at in np.cumsum(steps)]
    whole, single = Reorderer("gap", REORDER), Reorderer("gap", REORDER)
    whole_out = whole.add_rows(HB, rows(times)).time_ns.tolist()
    single_out = [at for time in times for at in single.add_rows(HB, rows([time])).time_ns.tolist()]
    assert whole_out == single_out
    assert whole.waiting(HB).time_ns.tolist() == single.waiting(HB).time_ns.tolist()
    assert whole.counts() == single.counts()


@pytest.mark.parametrize("after_s", [0, 10])
def test_few_rows_of_a_long_message_are_inserted_one_by_one(
    monkeypatch: pytest.MonkeyPatch, after_s: int
) -> None:
    """Neither the first message of a hammer nor one after a gap: that takes 100 times as long."""
    one_by_one = 0
    insert = HammerBuffer.insert

    def counting(self: HammerBuffer, rows: Rows, *more: Any) -> Rows:
        nonlocal one_by_one
        one_by_one += len(rows)
        return insert(self, rows, *more)

    monkeypatch.setattr(HammerBuffer, "insert", counting)
    reorderer = Reorderer("gap", REORDER)
    if after_s:
        reorderer.add_rows(HB, rows([START - after_s * SECOND - k * STEP for k in range(3, -1, -1)]))
        one_by_one = 0
    block = [START + k * STEP for k in range(10_000)]
    assert reorderer.add_rows(HB, rows(block)).time_ns.tolist() == block
    assert one_by_one <= 32


def test_redelivered_rows_are_duplicates_and_other_old_rows_are_late() -> None:
    times = [START + k * STEP for k in range(3000)]
    for again, expected in ((False, (1, 3)), (True, (4, 0))):
        reorderer = Reorderer("in_order")
        for at in range(0, len(times), 100):
            reorderer.add_rows(HB, rows(times[at : at + 100]))
        old = [times[-1], times[0] - 1, times[0] - 2, times[-1] - 1]
        assert len(reorderer.add_rows(HB, rows(old), redelivered=again)) == 0
        counts = reorderer.counts()[HB]
        assert (counts.duplicate, counts.late) == expected
        assert reorderer.take_duplicates() == {HB: expected[0]}
        assert reorderer.take_duplicates() == {}


def test_rows_of_one_hammer_do_not_affect_another() -> None:
    reorderer = Reorderer("gap", REORDER)
    reorderer.add_rows(HB, rows([START + 10**6 * SECOND]))
    other = "fennick-hollow", "HB-02"
    assert reorderer.newest(other) == NEVER
    found = [reorderer.add_rows(other, rows([START])), reorderer.flush(other)]
    assert Rows.join(found).time_ns.tolist() == [START]


def test_a_correction_takes_effect_after_the_event_it_corrects() -> None:
    """Also if that event comes later or late; an entry made again comes after the withdrawn one."""
    reorderer = Reorderer("in_order")
    reorderer.add_rows(HB, Rows(np.array([100 * SECOND]), {}))
    for time_s in (110, 50):
        wrong = Event(*HB, "grease", time_s * SECOND)
        again = Event(*HB, "grease", time_s * SECOND, {"strokes": [12]})
        withdrawal = Event(*HB, "withdrawal", 105 * SECOND, {"corrects": reference_to(wrong)})
        for event in (wrong, withdrawal, again):
            reorderer.add_event(event)
        events = reorderer.portion(HB, NO_ROWS, 200 * SECOND).events
        kinds = [(event.kind, event.fields.get("strokes")) for event in events]
        if time_s == 110:
            assert kinds == [("grease", None), ("withdrawal", None), ("grease", [12])]
            assert [event.effective for event in events] == [110 * SECOND] * 3
        else:
            assert kinds == [("grease", None), ("grease", [12]), ("withdrawal", None)]
