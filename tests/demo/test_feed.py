"""How gateways sample the truth, faults of feeds, and payloads that the real decoder reads back."""

from dataclasses import replace
from itertools import islice

import numpy as np
import pytest

from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.demo.feed import SENML, Arrivals, Feed, Form, millis, payloads, sense
from strikewatch.demo.gateways import START_NS, Message, hammer_messages, site_messages
from strikewatch.demo.machine import OilCircuit
from strikewatch.demo.site import HAMMERS, OPERATORS, SITE, simulate
from strikewatch.demo.timeline import Timeline
from strikewatch.demo.work import Plan, WorkPeriod
from strikewatch.sources.decode import DecodedEvent, Samples, decode


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


def rows_of(count: int) -> Rows:
    """Return rows at 10 Hz with values not sampled, and a gap within a second."""
    rng = np.random.default_rng(4)
    tick = np.arange(count)
    time_ns = START_NS + (tick + 3 * (tick >= 22)) * (SECOND // 10)
    oil_c = np.where(tick % 10 == 3, np.round(rng.uniform(10.0, 90.0, count), 1), np.nan)
    return Rows(
        time_ns.astype(np.int64),
        {
            "active": rng.integers(0, 2, count).astype(np.float64),
            "pressure_bar": np.round(rng.uniform(0.0, 200.0, count) * 2.0) / 2.0,
            "oil_c": oil_c,
            "engine_rpm": np.where(tick % 10 == 0, 1800.0, np.nan),
        },
    )


@pytest.mark.parametrize(
    ("form", "off_bar", "off_c"),
    [("block", 0.0, 0.0), ("instant", 0.0, 0.0), ("senml", 1e-9, 0.0), ("imperial", 0.004, 0.003)],
)
def test_decoded_rows_are_the_rows_sent(form: Form, off_bar: float, off_c: float) -> None:
    """Exact in bar and degC; through psi and degF to the rounding of the gateway (0.05 psi, 0.005 degF)."""
    rows = rows_of(53)
    parts = []
    for due_ns, payload in payloads(rows, form, 0.1, "EX-23"):
        found = decode(f"strikewatch/{SITE}/HB-03/samples", payload, due_ns, "strikewatch")
        assert isinstance(found, Samples)
        assert not found.rejected
        assert not found.unknown
        assert due_ns == found.rows.time_ns[-1]
        assert len(found.rows) <= 10
        parts.append(found.rows)
    back = Rows.join(parts)
    assert back.time_ns.tolist() == rows.time_ns.tolist()
    for name, off in (("active", 0.0), ("pressure_bar", off_bar), ("oil_c", off_c), ("engine_rpm", 0.0)):
        np.testing.assert_allclose(back.columns[name], rows.columns[name], rtol=0.0, atol=off, err_msg=name)


def test_senml_units_are_registered() -> None:
    """Pa, Cel and 1/min are in RFC 8428's table of units (section 12.1, from memory); bar and rpm are not."""
    assert {unit for _, unit, _ in SENML.values()} == {"", "Pa", "Cel", "1/min"}


def test_millis_are_rfc_3339() -> None:
    assert millis(START_NS + 123_000_000) == "2026-07-14T11:00:00.123Z"


@pytest.mark.parametrize("name", HAMMERS)
def test_every_gateway_sends_what_the_contract_allows(name: str) -> None:
    """Half an hour of each, received when due: all decoded, in order, none later than the clock."""
    newest = 0
    for message in islice(hammer_messages(HAMMERS[name], START_NS, 1), 1800):
        topic, due_ns = f"strikewatch/{message.topic}", message.due_ns
        found = decode(topic, message.payload, due_ns, "strikewatch", max_ahead=0)
        if isinstance(found, DecodedEvent):
            assert found.event.hammer == name
            assert not found.unknown
        else:
            assert not found.rejected
            assert found.rows.time_ns[0] > newest
            assert (np.diff(found.rows.time_ns) > 0).all()
            newest = int(found.rows.time_ns[-1])


def messages_until(minutes: float, seed: int = 1) -> list[Message]:
    messages = []
    for message in site_messages(START_NS, seed):
        if message.due_ns > START_NS + round(minutes * 60) * SECOND:
            return messages
        messages.append(message)
    raise AssertionError("the day has no end")


def test_the_day_is_in_order_and_the_same_for_a_seed() -> None:
    day = messages_until(4.0)
    assert [message.due_ns for message in day] == sorted(message.due_ns for message in day)
    assert {message.hammer for message in day} == set(HAMMERS)
    assert day == messages_until(4.0)
    assert day != messages_until(4.0, seed=2)


def test_one_part_of_the_day_follows_another() -> None:
    """After four hours HB-06 continues: no instant twice or out of order, and a new sign-on."""
    border_ns = START_NS + 4 * 3600 * SECOND
    times, signed_on = [], 0
    for message in hammer_messages(HAMMERS["HB-06"], START_NS, 1):
        if message.due_ns > border_ns + 900 * SECOND:
            break
        if message.topic.endswith("events"):
            signed_on += message.due_ns >= border_ns and b"sign_on" in message.payload
        else:
            times.append(message.due_ns)
    assert signed_on == 1
    assert (np.diff(times) > 0).all()
    assert times[-1] > border_ns + 600 * SECOND


def test_the_backlog_of_hb_04_is_one_message() -> None:
    messages = list(islice(hammer_messages(HAMMERS["HB-04"], START_NS, 1), 4))
    (block,) = [
        message for message in messages if message.topic.endswith("samples") and message.due_ns == START_NS
    ]
    found = decode(f"strikewatch/{block.topic}", block.payload, START_NS, "strikewatch")
    assert isinstance(found, Samples)
    assert set(found.rows.columns) == {"engine_rpm", "oil_c"}
    assert len(found.rows) == 1404
    assert found.rows.time_ns[0] == START_NS - round(1.95 * 3600) * SECOND
    assert len(block.payload) < 262_144


def test_hb_06_is_silent_for_a_while() -> None:
    due = [message.due_ns for message in messages_until(14.0) if message.topic == f"{SITE}/HB-06/samples"]
    assert np.diff(due).max() >= 90 * SECOND
