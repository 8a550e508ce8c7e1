"""Labels agree with the signals that they label, sampled densely."""

import itertools
from typing import Any

import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND
from strikewatch.demo.site import HAMMERS, OPERATORS, SITE, simulate
from strikewatch.demo.timeline import Label
from strikewatch.demo.work import Plan, Worker, WorkPeriod

START_NS = instant.parse("2026-07-14T11:00:00Z")
FINE_NS = 20_000_000


def day(who: str, hours: float, seed: int = 5, **more: Any) -> Worker:
    hammer = HAMMERS["HB-01"]
    turns = (WorkPeriod(OPERATORS[who], hours * 3600.0),)
    plan = Plan(SITE, hammer.name, START_NS, turns, hammer.center_m, hammer.breaker, **more)
    return simulate(plan, seed)


def labels_of(worker: Worker, truth: str) -> list[Label]:
    return [label for label in worker.timeline.labels if label.truth == truth]


def fine_grid(start_ns: int, end_ns: int) -> Ints:
    return np.arange(start_ns, end_ns, FINE_NS, dtype=np.int64)


def firing_s(worker: Worker, start_ns: int, end_ns: int) -> float:
    return float(worker.timeline.firing(fine_grid(start_ns, end_ns)).sum()) * FINE_NS / SECOND


def test_linger_labels_exactly_the_spots_of_15_s() -> None:
    """From signals alone: firing in one place adds up to 15 s (common practice, no published source)."""
    worker = day("op-12", 1.0)
    time_ns = fine_grid(START_NS, worker.timeline.now_ns)
    x_m = worker.timeline.value_at("x_m", time_ns)
    firing = worker.timeline.firing(time_ns)
    spots = np.split(np.arange(len(time_ns)), np.flatnonzero(np.diff(x_m)) + 1)
    spent_s = [float(firing[spot].sum()) * FINE_NS / SECOND for spot in spots]
    lingers = labels_of(worker, "linger")
    assert len(lingers) == sum(s >= 15.0 for s in spent_s)
    assert len(lingers) >= 5
    long_s = [s for s in spent_s if s >= 15.0]
    assert [label.fields["firing_s"] for label in lingers] == pytest.approx(long_s, abs=0.1)


def test_blank_blows_lie_within_firing_and_lower_the_pressure() -> None:
    worker = day("op-15", 0.7)
    blanks = [label for label in labels_of(worker, "blank") if label.fields["s"] >= 1.5]
    assert len(blanks) >= 5
    for label in blanks:
        time_ns = fine_grid(label.start_ns, label.end_ns)
        assert worker.timeline.firing(time_ns).all()
        settled = worker.timeline.pressure_bar(time_ns[time_ns > label.start_ns + SECOND])
        most = HAMMERS["HB-01"].breaker.level_bar * (1.0 - label.fields["fall"])
        assert 0.88 * most < settled.mean() < 1.01 * most


@pytest.mark.parametrize(("who", "kind"), [("op-14", "start"), ("op-15", "end")])
def test_blank_kinds_are_at_the_start_or_end_of_firing(who: str, kind: str) -> None:
    """Before a `start` and after an `end` there is no firing; on the other side of each there is."""
    worker = day(who, 0.7)
    blanks = [b for b in labels_of(worker, "blank") if b.fields["kind"] == kind and b.fields["s"] >= 1.0]
    assert len(blanks) >= 5
    for label in blanks:
        edge_ns = np.array([label.start_ns - 1, label.end_ns], np.int64)
        assert worker.timeline.firing(edge_ns).tolist() == [kind == "end", kind == "start"]


def test_hot_labels_exactly_the_time_above_80() -> None:
    worker = day("op-16", 1.0, oil_c=77.0, air_c=(36.0, 38.0))
    spells = labels_of(worker, "hot")
    time_ns = fine_grid(START_NS, worker.timeline.now_ns)
    oil_c = worker.timeline.true_oil_c(time_ns)
    inside = np.zeros(len(time_ns), bool)
    for label in spells:
        within = (time_ns > label.start_ns) & (time_ns < label.end_ns)
        inside |= within
        assert label.fields["peak_c"] == pytest.approx(oil_c[within].max(), abs=0.02)
        assert label.fields["firing_s"] == pytest.approx(
            firing_s(worker, label.start_ns, label.end_ns), abs=0.5
        )
    clear = np.abs(oil_c - 80.0) > 1e-3
    assert (inside == (oil_c > 80.0))[clear].all()
    assert inside.sum() > 1000


def test_oil_and_pressure_never_jump_between_pieces() -> None:
    """State carries over each change of work: the last instant of a piece and the first of the next agree."""
    worker = day("op-18", 0.5)
    starts = worker.timeline.piece_starts_ns()[1:]
    for signal, most in ((worker.timeline.true_oil_c, 1e-4), (worker.timeline.pressure_bar, 12.0)):
        assert np.abs(signal(starts) - signal(starts - 1)).max() < most


def test_op_13_never_greases_and_the_label_begins_at_2_h() -> None:
    worker = day("op-13", 2.6)
    assert not [event for event in worker.events if event.kind == "grease"]
    (overdue,) = labels_of(worker, "grease_overdue")
    off_s = sum((label.end_ns - label.start_ns) / SECOND for label in labels_of(worker, "engine_off"))
    assert (overdue.start_ns - START_NS) / SECOND == pytest.approx(2 * 3600.0 + off_s, abs=0.01)
    assert overdue.end_ns == worker.timeline.now_ns


def test_careful_operator_does_nothing_wrong_in_hard_stone() -> None:
    worker = day("op-11", 1.5, stone_hard=(0.3, 1.0), oil_c=40.0)
    assert not labels_of(worker, "linger")
    assert not labels_of(worker, "hot")
    assert not [label for label in labels_of(worker, "blank") if label.fields["s"] > 0.5]
    assert labels_of(worker, "hard_stone")
    assert [event.kind for event in worker.events] == ["sign_on", "check", "sign_off"]


def test_the_seed_determines_the_day() -> None:
    def outcome(seed: int) -> tuple[Any, ...]:
        worker = day("op-18", 0.4, seed)
        return worker.events, worker.timeline.labels, worker.timeline.piece_starts_ns().tolist()

    assert outcome(3) == outcome(3)
    assert outcome(3) != outcome(4)


def test_a_day_ends_on_time_for_every_operator() -> None:
    """No work period overruns, and `at_controls` covers the day without gap or overlap."""
    for who in OPERATORS:
        worker = day(who, 0.5, oil_c=79.5)
        assert worker.timeline.now_ns == worker.plan.end_ns
        spans = [(label.start_ns, label.end_ns) for label in labels_of(worker, "at_controls")]
        assert spans[0][0] == START_NS
        assert all(before[1] == after[0] for before, after in itertools.pairwise(spans))
