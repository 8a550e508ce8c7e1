"""How feeds sample the truth: grid, resolution, averaging, silence with the ignition off, and faults of feeds."""

from dataclasses import replace

import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.demo.breaker import OilCircuit
from strikewatch.demo.feed import Arrivals, Feed, sense
from strikewatch.demo.operators import OPERATORS
from strikewatch.demo.site import HAMMERS, SITE, simulate
from strikewatch.demo.timeline import Timeline
from strikewatch.demo.work import Plan, WorkPeriod

START_NS = instant.parse("2026-07-14T11:00:00Z")


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    hammer = HAMMERS["HB-01"]
    turns, lunch = (WorkPeriod(OPERATORS["op-12"], 1800.0),), ((600.0, 900.0),)
    plan = Plan(SITE, "HB-01", START_NS, turns, hammer.center_m, hammer.breaker, pauses_s=lunch)
    return simulate(plan, 8).timeline


def sample(timeline: Timeline, feed: Feed, first_s: float = 0.0, last_s: float = 1800.0) -> Rows:
    return sense(
        timeline,
        feed,
        START_NS + int(first_s) * SECOND,
        START_NS + int(last_s) * SECOND,
        np.random.default_rng(1),
    )


def test_values_have_the_resolution_of_their_sensors(timeline: Timeline) -> None:
    rows = sample(timeline, Feed(pose=True))
    steps = {
        "pressure_bar": 0.5,
        "oil_c": 0.1,
        "engine_rpm": 1.0,
        "tool_x_m": 0.01,
        "tool_y_m": 0.01,
        "active": 1.0,
    }
    assert set(rows.columns) == set(steps)
    for name, step in steps.items():
        known = rows.columns[name][~np.isnan(rows.columns[name])]
        assert known == pytest.approx(np.round(known / step) * step, abs=1e-9)


def test_noise_is_small_and_not_biased(timeline: Timeline) -> None:
    rows = sample(timeline, Feed())
    off_bar = rows.columns["pressure_bar"] - timeline.pressure_bar(rows.time_ns)
    assert abs(off_bar.mean()) < 0.05
    assert 0.6 < off_bar.std() < 1.1


def test_averaging_removes_most_of_the_pulses() -> None:
    """The mean over 0.1 s covers about one blow at 10.4 blows/s; a momentary value varies with it."""
    steady = Timeline("HB-01", START_NS, HAMMERS["HB-01"].breaker, OilCircuit(), 40.0, lambda _: 20.0)
    steady.advance(120.0, 1800.0, firing=True)
    spread = [
        sample(steady, Feed(averaged=a), 10.0, 110.0).columns["pressure_bar"].std() for a in (False, True)
    ]
    assert spread[0] > 4.0
    assert spread[1] < 1.2


def test_gateway_stops_sending_after_the_ignition_unless_it_has_its_own_supply(timeline: Timeline) -> None:
    """Off at the start and over lunch: rows stop 20 s after the ignition is turned off."""
    switched, always_on = sample(timeline, Feed(run_on_s=20.0)), sample(timeline, Feed(run_on_s=None))
    assert len(always_on) == 18_000
    rows_off = int((timeline.value_at("rpm", always_on.time_ns) == 0.0).sum())
    assert rows_off > 3_000
    assert len(always_on) - len(switched) == rows_off - 200
    assert (switched.columns["engine_rpm"] == 0.0).sum() == 20


def test_slices_have_the_same_instants_as_the_whole(timeline: Timeline) -> None:
    feed = Feed(step_s=0.5)
    parts = [sample(timeline, feed, first_s, first_s + 60.0) for first_s in range(0, 1800, 60)]
    assert Rows.join(parts).time_ns.tolist() == sample(timeline, feed).time_ns.tolist()
    assert Rows.join(parts).columns["active"].tolist() == sample(timeline, feed).columns["active"].tolist()


@pytest.fixture
def arrivals(timeline: Timeline) -> Arrivals:
    return Arrivals.undelayed("HB-01", sample(timeline, Feed(step_s=0.5, run_on_s=None)))


def at(after_s: float) -> int:
    return START_NS + round(after_s * SECOND)


def test_dropout_loses_only_its_interval(arrivals: Arrivals) -> None:
    left = arrivals.dropout(at(100), at(160), "test")
    assert len(arrivals.rows) - len(left.rows) == 120
    assert not ((left.rows.time_ns >= at(100)) & (left.rows.time_ns < at(160))).any()
    assert left.labels[0].record()["from"] == "2026-07-14T11:01:40.000000Z"


def test_backlog_loses_nothing_and_arrives_after_its_interval(arrivals: Arrivals) -> None:
    between = arrivals.backlog(at(100), at(160), 20.0)
    assert sorted(between.rows.time_ns.tolist()) == arrivals.rows.time_ns.tolist()
    backward = np.flatnonzero(np.diff(between.rows.time_ns) < 0)
    assert len(backward) > 10
    assert (np.diff(between.arrived_ns) >= 0).all()
    at_once = arrivals.backlog(at(100), at(160), 0.0)
    assert at_once.rows.time_ns.tolist() == arrivals.rows.time_ns.tolist()
    assert int(at_once.arrived_ns[200]) == at(160) - 1


def test_duplicates_repeat_rows_bit_for_bit(arrivals: Arrivals) -> None:
    twice = arrivals.duplicates(at(100), at(160), 0.7)
    assert len(twice.rows) == len(arrivals.rows) + 120
    assert twice.labels[0].fields == {"rows": 120}
    unique, first = np.unique(twice.rows.time_ns, return_index=True)
    assert unique.tolist() == arrivals.rows.time_ns.tolist()
    assert np.array_equal(twice.rows.columns["pressure_bar"][first], arrivals.rows.columns["pressure_bar"])


def test_wrong_clock_shifts_time_stamps_but_not_the_order_of_arrival(arrivals: Arrivals) -> None:
    wrong = arrivals.wrong_clock(at(100), at(130), 2400.0)
    moved = wrong.rows.time_ns - arrivals.rows.time_ns
    assert np.unique(moved).tolist() == [0, 2400 * SECOND]
    assert int((moved > 0).sum()) == 60
    assert wrong.arrived_ns.tolist() == arrivals.arrived_ns.tolist()


def test_out_of_range_sets_every_sampled_value(arrivals: Arrivals) -> None:
    broken = arrivals.out_of_range(at(100), at(160), "oil_c", 215.0).rows.columns["oil_c"]
    assert (broken == 215.0).sum() == 12
    assert np.isnan(broken).sum() == np.isnan(arrivals.rows.columns["oil_c"]).sum()


def test_faults_accumulate_labels(arrivals: Arrivals) -> None:
    both = arrivals.dropout(at(10), at(20), "test").duplicates(at(30), at(40), 1.0)
    assert [label.truth for label in both.labels] == ["signal_lost", "duplicates"]
    assert replace(both, labels=()).labels == ()
